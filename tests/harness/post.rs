//! One person at work: a device, the browser on it, and the taps that every story begins with.

use std::time::Duration;

use serde_json::{Value, json};

use crate::browser::{Browser, Driver, PHONE, TABLET};
use crate::device::Device;
use crate::program::Trouble;

/// The demo visit's plan.
const PLAN: &str = include_str!("../../demo/quillet-brook/plan.json");

/// How often a summary is looked at before a test gives up.
const LOOKS: u32 = 600;

/// One person's device and the browser on it.
pub struct Post {
    /// The browser.
    pub page: Browser,
    /// The device it is on.
    pub device: Device,
    /// The visit's path.
    pub visit: String,
}

impl Post {
    /// Starts a device and enters its pages.
    ///
    /// # Errors
    ///
    /// When either doesn't start.
    pub async fn open(driver: &Driver, name: &str, size: (u32, u32)) -> Result<Self, Trouble> {
        let device = Device::start(name)?;
        let page = Browser::open(driver, size).await?;
        page.enter(&device).await?;
        Ok(Self {
            page,
            device,
            visit: String::new(),
        })
    }

    /// Waits for the crew page of the visit just started or joined.
    async fn arrive(&mut self) -> Result<(), Trouble> {
        self.page
            .until("return location.pathname.endsWith('/me')")
            .await?;
        self.page.ready().await?;
        let path = self.page.path().await?;
        self.visit = path.trim_end_matches("/me").to_owned();
        Ok(())
    }

    /// Opens the planned demo visit.
    ///
    /// # Errors
    ///
    /// When the page refuses it.
    pub async fn start(&mut self) -> Result<(), Trouble> {
        self.page.tap("#planned > summary").await?;
        self.page.paste("#plan textarea", PLAN).await?;
        self.page.tap("#plan button[type=submit]").await?;
        self.arrive().await
    }

    /// Joins by an invitation.
    ///
    /// # Errors
    ///
    /// When it is refused.
    pub async fn join(&mut self, invitation: &str) -> Result<(), Trouble> {
        self.page.tap("#by-text > summary").await?;
        self.page.paste("#join textarea", invitation).await?;
        self.page.tap("#join button[type=submit]").await?;
        self.arrive().await
    }

    /// Goes to a page of the visit.
    ///
    /// # Errors
    ///
    /// When it doesn't come up.
    pub async fn go(&self, page: &str) -> Result<(), Trouble> {
        self.page.go(&format!("{}/{page}", self.visit)).await
    }

    /// Takes the device in this name.
    ///
    /// # Errors
    ///
    /// When the page refuses it.
    pub async fn be(&self, name: &str) -> Result<(), Trouble> {
        self.go("me").await?;
        if self
            .page
            .ask("return !document.getElementById('not-me').open")
            .await?
            == json!(true)
        {
            self.page.tap("#not-me > summary").await?;
        }
        self.page.type_into("#be-new input", name).await?;
        self.page.tap("#be-new button").await?;
        let mine = format!("return document.body.dataset.me === {name:?}");
        self.page.until(&mine).await?;
        self.page.ready().await
    }

    /// Takes a role.
    ///
    /// # Errors
    ///
    /// When the page refuses it.
    pub async fn take(&self, role: &str) -> Result<(), Trouble> {
        self.go("me").await?;
        self.page.tap_words(&format!("take {role}")).await?;
        let held = format!("return document.body.innerText.includes('✓ {role}: give up')");
        self.page.until(&held).await?;
        Ok(())
    }

    /// An invitation as the page shows it.
    ///
    /// # Errors
    ///
    /// When it shows none.
    pub async fn invitation(&self) -> Result<String, Trouble> {
        self.go("let-in").await?;
        self.page.tap("#let-in button[type=submit]").await?;
        let text = self
            .page
            .until("return document.querySelector('[data-invitation]')?.value || ''")
            .await?;
        Ok(text.as_str().unwrap_or_default().to_owned())
    }

    /// All numbers as this device has them.
    ///
    /// # Errors
    ///
    /// When the browser doesn't answer.
    pub async fn summary(&self) -> Result<Value, Trouble> {
        self.page
            .fetch(&format!("{}/summary.json", self.visit))
            .await
    }

    /// Taps one pad this many times.
    ///
    /// # Errors
    ///
    /// When there is no such pad.
    pub async fn count(&self, species: &str, times: usize) -> Result<(), Trouble> {
        for _ in 0..times {
            self.page
                .tap(&format!("[data-species='{species}'] .plus"))
                .await?;
        }
        Ok(())
    }
}

/// Mirelle leads, Hollis and Sabine net; one visit on three devices.
///
/// # Errors
///
/// When a device or browser doesn't start or doesn't join.
pub async fn crew(driver: &Driver) -> Result<[Post; 3], Trouble> {
    let mut lead = Post::open(driver, "A", TABLET).await?;
    lead.start().await?;
    lead.be("Mirelle Ashgrove").await?;
    lead.take("crew lead").await?;
    let invitation = lead.invitation().await?;
    let mut right = Post::open(driver, "C", PHONE).await?;
    right.join(&invitation).await?;
    right.be("Hollis Fenn").await?;
    right.take("netter").await?;
    let mut left = Post::open(driver, "D", TABLET).await?;
    left.join(&invitation).await?;
    left.be("Sabine Quell").await?;
    left.take("netter").await?;
    Ok([lead, right, left])
}

/// Waits until the summary of a device says so.
///
/// # Errors
///
/// When it doesn't, with what it says instead.
pub async fn until_summary(
    post: &Post,
    what: &str,
    holds: impl Fn(&Value) -> bool,
) -> Result<Value, Trouble> {
    for _ in 0..LOOKS {
        let summary = post.summary().await?;
        if holds(&summary) {
            return Ok(summary);
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    Err(format!("waited in vain for {what}: {}", post.summary().await?).into())
}

/// Fish tapped under a name in pass 1.
#[must_use]
pub fn tallied(summary: &Value, species: &str) -> u64 {
    let lines = summary["passes"][0]["tally"].as_array();
    let line = lines.and_then(|l| l.iter().find(|t| t["name"] == species));
    line.and_then(|t| t["tallied"].as_u64()).unwrap_or(0)
}

/// Fish of a species worked up in pass 1.
#[must_use]
pub fn worked_up(summary: &Value, species: &str) -> u64 {
    let lines = summary["passes"][0]["species"].as_array();
    let line = lines.and_then(|l| l.iter().find(|s| s["species"] == species));
    line.and_then(|s| s["worked_up"].as_u64()).unwrap_or(0)
}
