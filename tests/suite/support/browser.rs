//! A browser without a window to open pages in: Chromium, spoken to by its `DevTools` protocol through pipes.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use base64::Engine;
use serde_json::{Value, json};

/// How long an answer, or something on the page, may take on a busy machine.
const PATIENCE: Duration = Duration::from_secs(90);

/// One page in a browser of its own.
#[derive(Debug)]
pub struct Browser {
    child: Child,
    to: ChildStdin,
    from: Receiver<Value>,
    calls: u64,
    session: String,
    /// What the page did, in order: requests, words on the console, errors.
    pub events: Vec<Value>,
    /// Goes away with the browser.
    _profile: tempfile::TempDir,
}

impl Browser {
    /// Starts a browser and opens a file in it, `size` pixels wide and high. `more` are arguments for the browser.
    pub fn open(page: &Path, size: [u32; 2], more: &[&str]) -> Self {
        let known = Command::new("chromium").arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status();
        assert!(known.is_ok(), "the program `chromium` is needed for this test: install the package `chromium`");
        let profile = tempfile::tempdir().unwrap();
        // The protocol is spoken on descriptors 3 and 4; a shell can put our pipes there.
        let mut child = Command::new("sh")
            .args(["-c", "exec chromium \"$@\" 3<&0 4>&1 </dev/null >/dev/null 2>&1", "sh"])
            .args([
                "--headless",
                "--no-sandbox",
                "--remote-debugging-pipe",
                "--no-first-run",
                "--disable-dev-shm-usage",
            ])
            .args(["--disable-background-networking", "--disable-component-update", "--hide-scrollbars"])
            .args(["--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--ignore-gpu-blocklist"])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .args(more)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let (to, out) = (child.stdin.take().unwrap(), child.stdout.take().unwrap());
        let (sender, from) = channel();
        std::thread::spawn(move || {
            for message in BufReader::new(out).split(0).map_while(Result::ok) {
                let said = serde_json::from_slice(&message).unwrap_or(Value::Null);
                if sender.send(said).is_err() {
                    break;
                }
            }
        });
        let (session, events) = (String::new(), Vec::new());
        let mut browser = Self { child, to, from, calls: 0, session, events, _profile: profile };
        browser.go_to(page, size);
        browser
    }

    fn go_to(&mut self, page: &Path, [width, height]: [u32; 2]) {
        let target = self.call("Target.createTarget", &json!({ "url": "about:blank" }))["targetId"].clone();
        let attached = self.call("Target.attachToTarget", &json!({ "targetId": target, "flatten": true }));
        attached["sessionId"].as_str().unwrap().clone_into(&mut self.session);
        for domain in ["Page", "Runtime", "Network", "Log"] {
            self.call(&format!("{domain}.enable"), &json!({}));
        }
        let metrics = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false });
        self.call("Emulation.setDeviceMetricsOverride", &metrics);
        self.call("Page.navigate", &json!({ "url": format!("file://{}", page.display()) }));
        self.until("location.protocol === 'file:' && document.readyState === 'complete'");
    }

    /// The answer to a call of the protocol.
    pub fn call(&mut self, method: &str, params: &Value) -> Value {
        self.calls += 1;
        let mut message = json!({ "id": self.calls, "method": method, "params": params });
        if !self.session.is_empty() {
            message["sessionId"] = self.session.as_str().into();
        }
        let mut bytes = message.to_string().into_bytes();
        bytes.push(0);
        self.to.write_all(&bytes).unwrap();
        loop {
            let said = self.from.recv_timeout(PATIENCE).unwrap_or_else(|error| panic!("{method}: {error}"));
            if said["id"] == self.calls {
                assert!(said["error"].is_null(), "{method}: {said}");
                return said["result"].clone();
            }
            self.events.push(said);
        }
    }

    /// The value of an expression on the page.
    pub fn value(&mut self, expression: &str) -> Value {
        let params = json!({ "expression": expression, "returnByValue": true, "awaitPromise": true });
        let answer = self.call("Runtime.evaluate", &params);
        assert!(answer["exceptionDetails"].is_null(), "{expression}: {answer}");
        answer["result"]["value"].clone()
    }

    /// Waits until an expression on the page is true.
    pub fn until(&mut self, expression: &str) {
        let start = Instant::now();
        while self.value(expression) != true {
            assert!(start.elapsed() < PATIENCE, "never came true: {expression}; {:?}", self.events);
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Presses and lets go of a key that needs no shift.
    pub fn press(&mut self, key: &str) {
        for kind in ["rawKeyDown", "keyUp"] {
            self.call("Input.dispatchKeyEvent", &json!({ "type": kind, "key": key }));
        }
    }

    /// What is seen of the first element that fits a selector.
    pub fn picture(&mut self, selector: &str) -> image::RgbImage {
        let place = self.value(&format!(
            "(() => {{ const r = document.querySelector('{selector}').getBoundingClientRect();
               return [r.left + scrollX, r.top + scrollY, r.width, r.height]; }})()"
        ));
        let clip = json!({ "x": place[0], "y": place[1], "width": place[2], "height": place[3], "scale": 1 });
        let shot = self.call("Page.captureScreenshot", &json!({ "clip": clip, "captureBeyondViewport": false }));
        let file = base64::engine::general_purpose::STANDARD.decode(shot["data"].as_str().unwrap()).unwrap();
        image::load_from_memory(&file).unwrap().to_rgb8()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // It ends by itself when its pipe is shut; a browser that hangs must not outlive the test.
        let goodbye = json!({ "id": 0, "method": "Browser.close" }).to_string() + "\0";
        let asked = self.to.write_all(goodbye.as_bytes());
        let start = Instant::now();
        while asked.is_ok() && start.elapsed() < Duration::from_secs(5) && matches!(self.child.try_wait(), Ok(None)) {
            std::thread::sleep(Duration::from_millis(20));
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
