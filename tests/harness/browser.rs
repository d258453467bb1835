//! Real browsers on devices' pages: one headless Chromium each, driven by clicks and keys.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use fantoccini::actions::{
    InputSource, KeyAction, KeyActions, MOUSE_BUTTON_LEFT, MouseActions, PointerAction,
};
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use tempfile::TempDir;

use crate::device::Device;
use crate::program::Trouble;

/// How long something may take before a test gives up; nothing is asserted about times.
const PATIENCE: Duration = Duration::from_secs(120);
/// How often a page is looked at meanwhile.
const LOOK: Duration = Duration::from_millis(40);

/// A phone held upright, in CSS pixels.
pub const PHONE: (u32, u32) = (390, 844);
/// A tablet held across, in CSS pixels.
pub const TABLET: (u32, u32) = (1024, 768);

/// How long a browser may take to start: on a machine that has just installed it and builds on all
/// its cores, minutes.
const STARTUP_MS: u64 = 180_000;
/// How often a browser that didn't start is tried again.
const STARTS: usize = 3;

/// Held by the one test that drives browsers now. Several at once, three browsers each, starve one
/// another on a small machine until none of them starts.
static DRIVING: Mutex<()> = Mutex::new(());

/// Starts browsers; ends them all when dropped. There is one at a time: a second waits.
pub struct Driver {
    running: Child,
    url: String,
    _alone: MutexGuard<'static, ()>,
}

impl Driver {
    /// Starts the system's driver on a free port.
    ///
    /// # Errors
    ///
    /// When it isn't installed or says no port.
    pub fn start() -> Result<Self, Trouble> {
        // A test that failed while driving has left nothing behind that matters here.
        let alone = DRIVING.lock().unwrap_or_else(PoisonError::into_inner);
        let mut running = Command::new("/usr/bin/chromedriver")
            .arg("--port=0")
            .stdout(Stdio::piped())
            .spawn()?;
        let out = running.stdout.take().ok_or("the driver has no output")?;
        for line in BufReader::new(out).lines() {
            if let Some((_, port)) = line?.split_once("started successfully on port ") {
                let port = port.trim_end_matches('.');
                return Ok(Self {
                    running,
                    url: format!("http://127.0.0.1:{port}"),
                    _alone: alone,
                });
            }
        }
        Err("the driver says no port".into())
    }
}

impl Drop for Driver {
    /// Killed alone, it would leave its browsers running: it is asked to end them first.
    fn drop(&mut self) {
        let place = self.url.trim_start_matches("http://");
        if let Ok(mut stream) = TcpStream::connect(place) {
            stream.set_read_timeout(Some(PATIENCE)).ok();
            write!(
                stream,
                "GET /shutdown HTTP/1.1\r\nHost: {place}\r\nConnection: close\r\n\r\n"
            )
            .ok();
            // It answers once all is ended.
            stream.read_to_end(&mut Vec::new()).ok();
        }
        self.running.kill().ok();
        self.running.wait().ok();
    }
}

/// One browser with one page.
pub struct Browser {
    client: Client,
    _profile: TempDir,
}

impl Browser {
    /// Opens a browser of this size. Names other than loopback's don't resolve in it.
    ///
    /// # Errors
    ///
    /// When the browser doesn't start, tried a few times.
    pub async fn open(driver: &Driver, size: (u32, u32)) -> Result<Self, Trouble> {
        let mut last = None;
        for _ in 0..STARTS {
            match Self::open_once(driver, size).await {
                Ok(browser) => return Ok(browser),
                Err(trouble) => last = Some(trouble),
            }
        }
        Err(last.unwrap_or_else(|| "no browser was started".into()))
    }

    async fn open_once(driver: &Driver, (width, height): (u32, u32)) -> Result<Self, Trouble> {
        let profile = TempDir::new()?;
        let options = json!({
            "binary": "/usr/bin/chromium",
            "args": [
                "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                // Shared memory is small where tests run in a container.
                "--disable-dev-shm-usage",
                "--disable-background-networking", "--disable-component-update", "--disable-sync",
                "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",
                format!("--window-size={width},{height}"),
                format!("--user-data-dir={}", profile.path().display()),
            ],
            "browserStartupTimeout": STARTUP_MS,
            "mobileEmulation": {
                "deviceMetrics": {"width": width, "height": height, "pixelRatio": 1.0, "touch": false},
            },
        });
        let Value::Object(wanted) = json!({"browserName": "chrome", "goog:chromeOptions": options})
        else {
            return Err("no capabilities".into());
        };
        let client = ClientBuilder::new(HttpConnector::new())
            .capabilities(wanted)
            .connect(&driver.url)
            .await?;
        Ok(Self {
            client,
            _profile: profile,
        })
    }

    /// Enters a device's pages with its secret.
    ///
    /// # Errors
    ///
    /// When the page doesn't come up.
    pub async fn enter(&self, device: &Device) -> Result<(), Trouble> {
        self.client.goto(device.url()).await?;
        self.ready().await
    }

    /// Goes to a path of the address the page is at.
    ///
    /// # Errors
    ///
    /// When the page doesn't come up.
    pub async fn go(&self, path: &str) -> Result<(), Trouble> {
        let url = self.client.current_url().await?;
        self.client.goto(url.join(path)?.as_str()).await?;
        self.ready().await
    }

    /// Leaves for an empty page at once, whatever is under way.
    ///
    /// # Errors
    ///
    /// When the browser doesn't answer.
    pub async fn leave(&self) -> Result<(), Trouble> {
        Ok(self.client.goto("about:blank").await?)
    }

    /// Waits until the page's scripts have started.
    ///
    /// # Errors
    ///
    /// When they don't.
    pub async fn ready(&self) -> Result<(), Trouble> {
        self.until("return document.documentElement.dataset.ready === 'true'")
            .await?;
        Ok(())
    }

    /// The path the page is at.
    ///
    /// # Errors
    ///
    /// When the browser doesn't answer.
    pub async fn path(&self) -> Result<String, Trouble> {
        Ok(self.client.current_url().await?.path().to_owned())
    }

    /// What a script on the page returns.
    ///
    /// # Errors
    ///
    /// When it throws.
    pub async fn ask(&self, script: &str) -> Result<Value, Trouble> {
        Ok(self.client.execute(script, Vec::new()).await?)
    }

    /// What a script on the page hands to its first argument in the end.
    ///
    /// # Errors
    ///
    /// When it throws.
    pub async fn ask_later(&self, script: &str) -> Result<Value, Trouble> {
        Ok(self.client.execute_async(script, Vec::new()).await?)
    }

    /// Waits until a script returns something true, and returns it.
    ///
    /// # Errors
    ///
    /// When it doesn't within the patience of the tests; says what the page showed instead.
    pub async fn until(&self, script: &str) -> Result<Value, Trouble> {
        let end = Instant::now() + PATIENCE;
        loop {
            // A page that is just being left answers nothing.
            let answer = self.ask(script).await.unwrap_or(Value::Null);
            let falsy = [Value::Null, Value::Bool(false), json!(""), json!(0)];
            if !falsy.contains(&answer) {
                return Ok(answer);
            }
            if Instant::now() > end {
                let shown = self
                    .ask("return location.pathname + ' ' + document.body.innerText")
                    .await;
                return Err(format!("waited in vain for: {script}\non: {shown:?}").into());
            }
            tokio::time::sleep(LOOK).await;
        }
    }

    /// Waits until the first element of this selector has exactly this text.
    ///
    /// # Errors
    ///
    /// As for [`Self::until`].
    pub async fn shows(&self, css: &str, words: &str) -> Result<(), Trouble> {
        let script = format!(
            "return document.querySelector({css:?})?.textContent.trim().replace(/\\s+/g, ' ') === {words:?}"
        );
        self.until(&script).await.map(|_| ())
    }

    /// Clicks the first element of this selector.
    ///
    /// # Errors
    ///
    /// When there is none or something lies over it.
    pub async fn tap(&self, css: &str) -> Result<(), Trouble> {
        let found = self.client.find(Locator::Css(css)).await;
        let element = found.map_err(|e| format!("{css}: {e}"))?;
        // Out from under the fixed foot of the page.
        self.client
            .execute(
                "arguments[0].scrollIntoView({block: 'center'})",
                vec![serde_json::to_value(&element)?],
            )
            .await?;
        element.click().await.map_err(|e| format!("{css}: {e}"))?;
        Ok(())
    }

    /// Clicks the first button or summary that says exactly this.
    ///
    /// # Errors
    ///
    /// As for [`Self::tap`].
    pub async fn tap_words(&self, words: &str) -> Result<(), Trouble> {
        let find = format!(
            "for (const e of document.querySelectorAll('button, summary, a, .choice label')) {{ \
             if (e.innerText.trim().replace(/\\s+/g, ' ') === {words:?} && e.offsetParent) {{ \
             for (const old of document.querySelectorAll('[data-js-wanted]')) delete old.dataset.jsWanted; \
             e.dataset.jsWanted = 'yes'; return true; }} }} return false;"
        );
        self.until(&find).await?;
        self.tap("[data-js-wanted]").await
    }

    /// Replaces a field's text by typing.
    ///
    /// # Errors
    ///
    /// When there is no such field.
    pub async fn type_into(&self, css: &str, text: &str) -> Result<(), Trouble> {
        let found = self.client.find(Locator::Css(css)).await;
        let field = found.map_err(|e| format!("{css}: {e}"))?;
        field.clear().await?;
        field.send_keys(text).await?;
        Ok(())
    }

    /// Puts a long text into a field at once, as a paste does.
    ///
    /// # Errors
    ///
    /// When there is no such field.
    pub async fn paste(&self, css: &str, text: &str) -> Result<(), Trouble> {
        let script = "const f = document.querySelector(arguments[0]); f.value = arguments[1]; \
                      f.dispatchEvent(new Event('input', {bubbles: true}));";
        self.client
            .execute(script, vec![json!(css), json!(text)])
            .await?;
        Ok(())
    }

    /// Sends a form by its button and waits until it says that all is saved or done.
    ///
    /// # Errors
    ///
    /// When it says anything else.
    pub async fn submit(&self, form: &str) -> Result<(), Trouble> {
        self.tap(&format!("{form} button[type=submit]")).await?;
        let said = format!(
            "return document.querySelector('{form} output.said[data-state=saved], {form} output.said[data-state=refused]')?.textContent"
        );
        let said = self.until(&said).await?;
        if said.as_str().is_some_and(|s| s.starts_with('✓')) {
            Ok(())
        } else {
            Err(format!("{form} said: {said}").into())
        }
    }

    /// The visible text of the first element of this selector.
    ///
    /// # Errors
    ///
    /// When there is none.
    pub async fn text(&self, css: &str) -> Result<String, Trouble> {
        let text = self
            .ask(&format!(
                "return document.querySelector({css:?})?.innerText"
            ))
            .await?;
        let text = text
            .as_str()
            .ok_or_else(|| format!("no {css} on the page"))?;
        Ok(text.split_whitespace().collect::<Vec<_>>().join(" "))
    }

    /// What the page gets from a path as JSON.
    ///
    /// # Errors
    ///
    /// When it gets none.
    pub async fn fetch(&self, path: &str) -> Result<Value, Trouble> {
        let script = "const done = arguments[1]; \
                      fetch(arguments[0]).then((r) => r.json()).then(done, () => done(null));";
        Ok(self.client.execute_async(script, vec![json!(path)]).await?)
    }

    /// Posts JSON to a path as the page's own scripts do.
    ///
    /// # Errors
    ///
    /// When the browser doesn't answer.
    pub async fn post(&self, path: &str, body: &Value) -> Result<Value, Trouble> {
        let script = "const done = arguments[2]; fetch(arguments[0], {method: 'POST', \
             headers: {'content-type': 'application/json'}, body: JSON.stringify(arguments[1])}) \
             .then((r) => r.json()).then(done, () => done(null));";
        Ok(self
            .client
            .execute_async(script, vec![json!(path), body.clone()])
            .await?)
    }

    /// Presses the mouse on an element for this long.
    ///
    /// # Errors
    ///
    /// When there is no such element.
    pub async fn hold(&self, css: &str, long: Duration) -> Result<(), Trouble> {
        let element = self.client.find(Locator::Css(css)).await?;
        let press = MouseActions::new("mouse".to_owned())
            .then(PointerAction::MoveToElement {
                element,
                duration: None,
                x: 0.0,
                y: 0.0,
            })
            .then(PointerAction::Down {
                button: MOUSE_BUTTON_LEFT,
            })
            .then(PointerAction::Pause { duration: long })
            .then(PointerAction::Up {
                button: MOUSE_BUTTON_LEFT,
            });
        Ok(self.client.perform_actions(press).await?)
    }

    /// Holds the space bar down on an element for this long.
    ///
    /// # Errors
    ///
    /// When there is no such element.
    pub async fn hold_space(&self, css: &str, long: Duration) -> Result<(), Trouble> {
        self.ask(&format!("document.querySelector({css:?}).focus()"))
            .await?;
        let press = KeyActions::new("keys".to_owned())
            .then(KeyAction::Down { value: ' ' })
            .then(KeyAction::Pause { duration: long })
            .then(KeyAction::Up { value: ' ' });
        Ok(self.client.perform_actions(press).await?)
    }

    /// Whether the page has opened a dialog box of the browser's own.
    pub async fn has_alert(&self) -> bool {
        self.client.get_alert_text().await.is_ok()
    }

    /// The page as it is seen, as a PNG.
    ///
    /// # Errors
    ///
    /// When the browser doesn't answer.
    pub async fn picture(&self) -> Result<Vec<u8>, Trouble> {
        Ok(self.client.screenshot().await?)
    }
}
