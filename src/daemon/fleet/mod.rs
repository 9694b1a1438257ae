//! Many machines on one queue: scans are offered on a NATS server with `JetStream`, workers take them with leases, and what
//! they make comes back. The server carries and keeps; what is true stands in the ledger of the workshop that offers.
//!
//! An offer is void as soon as its parcel is gone from the server: whoever offers takes it away when the job is settled,
//! given up or offered anew, and whoever works looks for it all the time. So one thing only has to be true at a time.

mod address;
mod attempt;
mod desk;
mod errand;
mod hand;
mod letter;
mod likeness;
mod link;
mod listing;
mod parcel;
mod place;
mod remote;

use std::time::Duration;

pub use address::{Address, AddressError};
pub use desk::{Fleet, Outlook};
pub use hand::{HandOptions, work};
pub use remote::{Errand, Remote};

/// How a daemon offers its scans.
#[derive(Clone, Debug)]
pub struct FleetOptions {
    pub address: Address,
    /// How long an offer is a worker's without a sign of life.
    pub lease: Duration,
}

/// What a thing on the server lives at most: a week. A daemon that is gone for good leaves nothing behind.
const KEPT_MAX: Duration = Duration::from_hours(7 * 24);
/// Workers that may be lost with one offer before its scan is given up.
const TAKES_MAX: u32 = 4;
/// Offers of one workshop that lie on the server at a time.
pub const OFFERS_MAX: usize = 32;
