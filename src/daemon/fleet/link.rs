//! The connection to the server: the names of what lies there, and the few things that are done with it.

use std::fmt;
use std::io;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use async_nats::connection::State;
use async_nats::jetstream::consumer::{AckPolicy, PullConsumer, pull};
use async_nats::jetstream::context::GetStreamErrorKind;
use async_nats::jetstream::object_store::{GetErrorKind, InfoErrorKind, ObjectMetadata, ObjectStore};
use async_nats::jetstream::stream::{self, LastRawMessageErrorKind, RetentionPolicy, Stream};
use async_nats::jetstream::{self, Context, object_store};
use async_nats::{Client, ConnectOptions, Event, Subscriber};
use futures_util::{StreamExt, TryStreamExt};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tracing::{info, warn};

use super::KEPT_MAX;
use super::address::Address;
use super::letter::{Offer, Sign, Stored, Word, prefix};
use super::listing::Sealed;

/// Longest wait for an answer, and for the next bytes of a parcel.
const ANSWER: Duration = Duration::from_secs(5);
const STALLED: Duration = Duration::from_secs(20);
/// The server is asked for a sign of life this often.
const PING: Duration = Duration::from_secs(15);
/// Longest pause between two tries to reach it.
const PAUSE_MAX: Duration = Duration::from_secs(4);
/// How long a request for messages waits on the server.
const FETCH: Duration = Duration::from_secs(2);
/// Pieces of a parcel, bytes.
const CHUNK: usize = 256 << 10;
const WORKERS: &str = "workers";

/// Why something could not be done with the server.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// No answer, or one that tells of trouble there: later it may go well.
    #[error("the fleet's server: {0}")]
    Server(String),
    /// What was asked for is not there, or not any more.
    #[error("it is not on the server")]
    Gone,
    #[error("{0}")]
    Disk(#[from] io::Error),
}

fn server(error: impl fmt::Display) -> LinkError {
    LinkError::Server(error.to_string())
}

/// Tells of the connection, each thing once.
#[derive(Debug, Default)]
struct Weather {
    lost: bool,
    told: Option<String>,
}

impl Weather {
    fn lost(&mut self) {
        if !std::mem::replace(&mut self.lost, true) {
            let hint = "is it running, and do its certificates and our credentials fit?";
            warn!(hint, "the fleet's server is out of reach; waiting for it");
        }
    }

    fn hear(&mut self, event: &Event) {
        match event {
            Event::Connected => {
                if std::mem::take(&mut self.lost) {
                    info!("the fleet's server is there");
                }
                self.told = None;
            }
            Event::Disconnected => self.lost(),
            Event::ServerError(_) | Event::ClientError(_) => {
                let text = event.to_string();
                // That nobody answers is told as being out of reach.
                if !text.ends_with("IO error") && self.told.as_ref() != Some(&text) {
                    warn!(told = %text, "trouble with the fleet's server");
                    self.told = Some(text);
                }
            }
            _ => {}
        }
    }
}

/// A connection that comes back by itself.
#[derive(Clone)]
pub struct Link {
    client: Client,
    context: Context,
    fleet: String,
}

impl fmt::Debug for Link {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Link").field("fleet", &self.fleet).finish_non_exhaustive()
    }
}

impl Link {
    /// Begins to reach the server, and goes on trying for as long as it takes.
    ///
    /// # Errors
    /// When credentials or certificates cannot be read.
    pub async fn open(address: &Address, who: &str) -> io::Result<Self> {
        if address.is_open() {
            let hint = "use tls://, or a tunnel to a server on this machine: scans are personal data";
            warn!(server = %address, hint, "the link to the fleet's server is not encrypted");
        }
        if address.login().is_some() {
            warn!(
                hint = "use --fleet-credentials",
                "others on this machine can see the password in the list of processes"
            );
        }
        let weather = Arc::new(Mutex::new(Weather::default()));
        let heard = Arc::clone(&weather);
        let mut options = ConnectOptions::new()
            .name(who)
            .retry_on_initial_connect()
            .max_reconnects(None)
            .reconnect_delay_callback(|tries| PAUSE_MAX.min(Duration::from_millis(100 << tries.min(7))))
            .ping_interval(PING)
            .connection_timeout(ANSWER)
            .request_timeout(Some(ANSWER))
            .event_callback(move |event| {
                heard.lock().unwrap_or_else(PoisonError::into_inner).hear(&event);
                async {}
            });
        options = address.apply(options)?;
        let client = options.connect(address.servers()).await.map_err(io::Error::other)?;
        let watched = client.clone();
        tokio::spawn(async move {
            tokio::time::sleep(Duration::from_secs(1)).await;
            if watched.connection_state() != State::Connected {
                weather.lock().unwrap_or_else(PoisonError::into_inner).lost();
            }
        });
        let mut context = jetstream::new(client.clone());
        context.set_timeout(ANSWER);
        Ok(Self { client, context, fleet: address.fleet().to_owned() })
    }

    #[must_use]
    pub fn is_up(&self) -> bool {
        self.client.connection_state() == State::Connected
    }

    /// A name that nobody else has.
    #[must_use]
    pub fn unique(&self) -> String {
        self.client.new_inbox().chars().filter(char::is_ascii_alphanumeric).skip("INBOX".len()).collect()
    }

    fn offers(&self) -> String {
        format!("{}-offers", self.fleet)
    }
    fn words(&self) -> String {
        format!("{}-words", self.fleet)
    }
    fn bucket(&self, home: &str) -> String {
        format!("{}-{home}", self.fleet)
    }
    fn offer_subject(&self, home: &str, job: u64, token: u64) -> String {
        format!("{}.offer.{home}.{job}.{token}", self.fleet)
    }
    fn word_subject(&self, home: &str) -> String {
        format!("{}.word.{home}", self.fleet)
    }
    fn sign_subject(&self) -> String {
        format!("{}.sign", self.fleet)
    }

    /// Makes what is missing on the server for a workshop's offers.
    ///
    /// # Errors
    /// As the server tells.
    pub async fn prepare(&self, home: &str, lease: Duration) -> Result<(), LinkError> {
        let offers = queue(self.offers(), format!("{}.offer.>", self.fleet));
        self.context.create_or_update_stream(offers).await.map_err(server)?;
        let words = queue(self.words(), format!("{}.word.>", self.fleet));
        self.context.create_or_update_stream(words).await.map_err(server)?;
        let workers = pull::Config {
            durable_name: Some(WORKERS.into()),
            ack_policy: AckPolicy::Explicit,
            ack_wait: lease,
            ..Default::default()
        };
        self.context.create_consumer_on_stream(workers, self.offers()).await.map_err(server)?;
        if let Err(LinkError::Gone) = self.store(home).await {
            let bucket = object_store::Config { bucket: self.bucket(home), max_age: KEPT_MAX, ..Default::default() };
            self.context.create_object_store(bucket).await.map_err(server)?;
        }
        Ok(())
    }

    /// Removes all of a workshop from the server.
    ///
    /// # Errors
    /// As the server tells.
    pub async fn clear(&self, home: &str) -> Result<(), LinkError> {
        if self.stream(format!("OBJ_{}", self.bucket(home))).await.map(Some).or_else(none_if_gone)?.is_some() {
            self.context.delete_object_store(self.bucket(home)).await.map_err(server)?;
        }
        if let Some(words) = self.stream(self.words()).await.map(Some).or_else(none_if_gone)? {
            words.purge().filter(self.word_subject(home)).await.map_err(server)?;
        }
        self.take_off(&format!("{}.offer.{home}.>", self.fleet)).await
    }

    /// Takes offers off the queue one by one. Purged by subject, they would take others with them that workers have not been
    /// given yet, as seen with server 2.9.10.
    async fn take_off(&self, subjects: &str) -> Result<(), LinkError> {
        let Some(offers) = self.stream(self.offers()).await.map(Some).or_else(none_if_gone)? else { return Ok(()) };
        let found = offers.info_with_subjects(subjects).await.map_err(server)?;
        let found: Vec<(String, usize)> = found.try_collect().await.map_err(server)?;
        for (subject, _) in found {
            match offers.get_last_raw_message_by_subject(&subject).await {
                Ok(message) => drop(offers.delete_message(message.sequence).await.map_err(server)?),
                Err(error) if error.kind() == LastRawMessageErrorKind::NoMessageFound => {}
                Err(error) => return Err(server(error)),
            }
        }
        Ok(())
    }

    async fn stream(&self, name: String) -> Result<Stream, LinkError> {
        self.context.get_stream(name).await.map_err(|error| match error.kind() {
            GetStreamErrorKind::JetStream(told) if told.code() == 404 => LinkError::Gone,
            _ => server(error),
        })
    }

    async fn store(&self, home: &str) -> Result<ObjectStore, LinkError> {
        match self.context.get_object_store(self.bucket(home)).await {
            Ok(store) => Ok(store),
            // Whether it is missing, only its stream tells.
            Err(error) => self.stream(format!("OBJ_{}", self.bucket(home))).await.and(Err(server(error))),
        }
    }

    /// Offers a scan. Told twice, it is offered once.
    ///
    /// # Errors
    /// As the server tells.
    pub async fn offer(&self, offer: &Offer) -> Result<(), LinkError> {
        let subject = self.offer_subject(&offer.home, offer.job, offer.token);
        self.publish(subject.clone(), &subject, offer).await
    }

    /// Says a word to the daemon of a workshop; `id` tells it from all others.
    ///
    /// # Errors
    /// As the server tells.
    pub async fn say(&self, home: &str, id: &str, word: &Word) -> Result<(), LinkError> {
        self.publish(self.word_subject(home), id, word).await
    }

    async fn publish(&self, subject: String, id: &str, what: &impl serde::Serialize) -> Result<(), LinkError> {
        let payload = serde_json::to_vec(what).map_err(io::Error::other)?;
        let message = jetstream::message::PublishMessage::build().message_id(id).payload(payload.into());
        let sent = tokio::time::timeout(ANSWER, self.context.send_publish(subject, message)).await;
        let answer = sent.map_err(server)?.map_err(server)?;
        tokio::time::timeout(ANSWER, answer).await.map_err(server)?.map_err(server).map(drop)
    }

    /// Takes the way back of words off the server as well, for a workshop that offers nothing more.
    pub async fn leave(&self, home: &str) {
        // Unused, it goes by itself after a while.
        let _ = self.context.delete_consumer_from_stream(listener(home), self.words()).await;
    }

    /// Whether an offer still waits, or a worker has it.
    ///
    /// # Errors
    /// As the server tells.
    pub async fn is_offered(&self, home: &str, (job, token): (u64, u64)) -> Result<bool, LinkError> {
        let stream = match self.stream(self.offers()).await {
            Err(LinkError::Gone) => return Ok(false),
            other => other?,
        };
        let subject = self.offer_subject(home, job, token);
        match stream.get_last_raw_message_by_subject(&subject).await {
            Ok(_) => {}
            Err(error) if error.kind() == LastRawMessageErrorKind::NoMessageFound => return Ok(false),
            Err(error) => return Err(server(error)),
        }
        // One that the queue passed over reaches nobody any more.
        let workers = self.context.get_consumer_from_stream::<pull::Config, _, _>(WORKERS, self.offers()).await;
        let workers = workers.map_err(server)?;
        let info = workers.cached_info();
        Ok(info.num_pending > 0 || info.num_ack_pending > 0)
    }

    /// The queue of all offers, for workers.
    ///
    /// # Errors
    /// `Gone` when no daemon has made it yet, else as the server tells.
    pub async fn queue_of_offers(&self) -> Result<PullConsumer, LinkError> {
        // Of the two, only the stream's absence is told in a way that can be relied on.
        self.stream(self.offers()).await?;
        self.context.get_consumer_from_stream(WORKERS, self.offers()).await.map_err(server)
    }

    /// Words that were said to a workshop, as they come; each is taken off the server once it is handed on.
    ///
    /// # Errors
    /// As the server tells; until then it goes on.
    pub async fn hear(&self, home: &str, mut tell: impl FnMut(Word)) -> Result<(), LinkError> {
        let own = pull::Config {
            durable_name: Some(listener(home)),
            ack_policy: AckPolicy::Explicit,
            filter_subject: self.word_subject(home),
            inactive_threshold: KEPT_MAX,
            ..Default::default()
        };
        let words = self.context.create_consumer_on_stream(own, self.words()).await.map_err(server)?;
        loop {
            let mut batch = fetch(&words, 100).await?;
            while let Some(message) = next(&mut batch).await? {
                match serde_json::from_slice(&message.payload) {
                    Ok(word) => tell(word),
                    Err(error) => warn!(%error, "a worker said what this version does not understand"),
                }
                message.ack().await.map_err(server)?;
            }
        }
    }

    /// Signs of life of all workers.
    ///
    /// # Errors
    /// As the server tells.
    pub async fn signs(&self) -> Result<Subscriber, LinkError> {
        self.client.subscribe(self.sign_subject()).await.map_err(server)
    }

    /// Gives a sign of life, if the server is there.
    pub async fn give_sign(&self, sign: &Sign) {
        if let (true, Ok(text)) = (self.is_up(), serde_json::to_vec(sign)) {
            // The next one comes soon.
            let _ = tokio::time::timeout(ANSWER, self.client.publish(self.sign_subject(), text.into())).await;
        }
    }

    /// Whether a parcel lies on the server; `Err` when that cannot be told now.
    ///
    /// # Errors
    /// As the server tells.
    pub async fn is_there(&self, home: &str, name: &str) -> Result<bool, LinkError> {
        let store = match self.store(home).await {
            Err(LinkError::Gone) => return Ok(false),
            other => other?,
        };
        match store.info(name).await {
            Ok(info) => Ok(!info.deleted),
            Err(error) if error.kind() == InfoErrorKind::NotFound => Ok(false),
            Err(error) => Err(server(error)),
        }
    }

    /// Puts a file on the server.
    ///
    /// # Errors
    /// As the disk or the server tells.
    pub async fn put(&self, home: &str, path: &Path, (name, sealed): (&str, &Sealed)) -> Result<Stored, LinkError> {
        let store = self.store(home).await?;
        let mut file = tokio::fs::File::open(path).await?;
        let meta = ObjectMetadata { name: name.to_owned(), chunk_size: Some(CHUNK), ..Default::default() };
        store.put(meta, &mut file).await.map_err(server)?;
        Ok(Stored { name: name.to_owned(), blake3: sealed.blake3.clone(), bytes: sealed.bytes })
    }

    /// Brings a file from the server; what it holds is for the caller to check.
    ///
    /// # Errors
    /// `Gone` when it is not there any more, else as the disk or the server tells.
    pub async fn get(&self, home: &str, stored: &Stored, path: &Path) -> Result<(), LinkError> {
        let store = self.store(home).await?;
        let got = tokio::time::timeout(STALLED, store.get(&stored.name)).await.map_err(server)?;
        let mut object = got.map_err(|error| match error.kind() {
            GetErrorKind::NotFound => LinkError::Gone,
            _ => server(error),
        })?;
        let mut file = tokio::fs::File::create(path).await?;
        let (mut buffer, mut bytes) = (vec![0; CHUNK], 0_u64);
        loop {
            let read = tokio::time::timeout(STALLED, object.read(&mut buffer)).await;
            let got = read.map_err(server)?.map_err(server)?;
            bytes += got as u64;
            if got == 0 || bytes > stored.bytes {
                break;
            }
            file.write_all(&buffer[..got]).await?;
        }
        Ok(file.sync_all().await?)
    }

    /// Takes an offer off the server, with its parcel and all that was made of it.
    ///
    /// # Errors
    /// As the server tells; done again, it takes the rest.
    pub async fn withdraw(&self, home: &str, (job, token): (u64, u64)) -> Result<(), LinkError> {
        self.take_off(&self.offer_subject(home, job, token)).await?;
        let names = self.names(home, &prefix(job, token)).await?;
        for name in names {
            self.remove(home, &name).await?;
        }
        Ok(())
    }

    /// Removes a file from the server, down to the last note of it.
    ///
    /// # Errors
    /// As the server tells.
    pub async fn remove(&self, home: &str, name: &str) -> Result<(), LinkError> {
        let Some(store) = self.store(home).await.map(Some).or_else(none_if_gone)? else { return Ok(()) };
        let Ok(info) = store.info(name).await else { return Ok(()) };
        let bucket = self.bucket(home);
        let stream = self.stream(format!("OBJ_{bucket}")).await?;
        // The note first: without it the file is not there for anybody.
        stream.purge().filter(note_subject(&bucket, name)).await.map_err(server)?;
        stream.purge().filter(format!("$O.{bucket}.C.{}", info.nuid)).await.map_err(server)?;
        Ok(())
    }

    /// Removes all that lies in a workshop's store, pieces of broken transfers included.
    ///
    /// # Errors
    /// As the server tells.
    pub async fn empty(&self, home: &str) -> Result<(), LinkError> {
        let Some(stream) = self.stream(format!("OBJ_{}", self.bucket(home))).await.map(Some).or_else(none_if_gone)?
        else {
            return Ok(());
        };
        if stream.cached_info().state.messages > 0 {
            stream.purge().await.map_err(server)?;
        }
        Ok(())
    }

    /// Names of the files in a workshop's store that begin like this.
    async fn names(&self, home: &str, beginning: &str) -> Result<Vec<String>, LinkError> {
        let bucket = self.bucket(home);
        let Some(stream) = self.stream(format!("OBJ_{bucket}")).await.map(Some).or_else(none_if_gone)? else {
            return Ok(Vec::new());
        };
        let notes = stream.info_with_subjects(format!("$O.{bucket}.M.>")).await.map_err(server)?;
        let subjects: Vec<(String, usize)> = notes.try_collect().await.map_err(server)?;
        let name = |subject: &str| {
            use base64::Engine;
            let coded = subject.rsplit('.').next()?;
            let bytes = base64::engine::general_purpose::URL_SAFE.decode(coded).ok()?;
            String::from_utf8(bytes).ok().filter(|name| name.starts_with(beginning))
        };
        Ok(subjects.iter().filter_map(|(subject, _)| name(subject)).collect())
    }
}

fn queue(name: String, subjects: String) -> stream::Config {
    stream::Config {
        name,
        subjects: vec![subjects],
        retention: RetentionPolicy::WorkQueue,
        max_age: KEPT_MAX,
        ..Default::default()
    }
}

/// The consumer of what is said to a workshop.
fn listener(home: &str) -> String {
    format!("home-{home}")
}

/// Where the note of a file lies: its name is coded, as the object store does.
fn note_subject(bucket: &str, name: &str) -> String {
    use base64::Engine;
    format!("$O.{bucket}.M.{}", base64::engine::general_purpose::URL_SAFE.encode(name))
}

/// Asks for the next messages, and waits a little for the first.
///
/// # Errors
/// As the server tells.
pub async fn fetch(consumer: &PullConsumer, most: usize) -> Result<pull::Batch, LinkError> {
    let batch = consumer.batch().max_messages(most).expires(FETCH).messages();
    tokio::time::timeout(ANSWER, batch).await.map_err(server)?.map_err(server)
}

/// The next of the messages asked for; `None` when no more come.
///
/// # Errors
/// As the server tells.
pub async fn next(batch: &mut pull::Batch) -> Result<Option<jetstream::Message>, LinkError> {
    match tokio::time::timeout(FETCH * 2, batch.next()).await {
        Ok(Some(message)) => message.map(Some).map_err(server),
        // A server that was started anew knows nothing of what it was asked.
        Ok(None) | Err(_) => Ok(None),
    }
}

/// A pause that grows with each failure.
#[derive(Debug)]
pub struct Pause(Duration);

impl Default for Pause {
    fn default() -> Self {
        Self(Duration::from_millis(250))
    }
}

impl Pause {
    pub async fn wait(&mut self) {
        tokio::time::sleep(self.0).await;
        self.0 = (self.0 * 2).min(PAUSE_MAX);
    }
}

fn none_if_gone<T>(error: LinkError) -> Result<Option<T>, LinkError> {
    match error {
        LinkError::Gone => Ok(None),
        other => Err(other),
    }
}
