//! Started plainly: opens the device on the user's data folder and serves its pages.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;

use clap::Args;

use super::{Wrong, data_folder, runtime, say};
use crate::http::Entrance;
use crate::net::USUAL_PORT;
use crate::{Clock, Options, Reach};

/// Where the pages are, unless another program has it or a port is named.
const PAGE_PORT: u16 = 47_411;

#[derive(Args)]
pub(super) struct Serve {
    /// Data folder; the user's own one where left out.
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
    /// Address and port where other devices reach this one.
    #[arg(long, value_name = "ADDRESS:PORT")]
    listen: Option<SocketAddr>,
    /// Port of the pages on this device; 0 for any free one.
    #[arg(long, value_name = "PORT")]
    port: Option<u16>,
    /// What the crew calls this device.
    #[arg(long, value_name = "NAME", default_value = "new device")]
    name: String,
    /// Opens no browser; prints one line of JSON with `url` and `address` instead.
    #[arg(long)]
    no_open: bool,
}

pub(super) fn run(serve: Serve) -> Result<(), Wrong> {
    let home = data_folder(serve.folder.as_ref())?;
    let runtime = runtime()?;
    let options = |listen| Options {
        folder: home.join("device"),
        // Beside the folder: a copy of the folder alone doesn't bring it along.
        witness: Some(home.join("device.witness")),
        listen,
        reach: Reach::Interfaces,
        name: serve.name.clone(),
        clock: Clock::default(),
    };
    let any = IpAddr::V4(Ipv4Addr::UNSPECIFIED);
    let usual = serve.listen.unwrap_or(SocketAddr::new(any, USUAL_PORT));
    let started = crate::start(options(usual), runtime.handle().clone());
    let node = match started {
        // Another program has the usual place: any other will do.
        Err(crate::StartError::Bind(_)) if serve.listen.is_none() => {
            crate::start(options(SocketAddr::new(any, 0)), runtime.handle().clone())
        }
        other => other,
    }
    .map_err(|e| Wrong::new(e.to_string()))?;
    runtime.block_on(async {
        let listener = page_port(serve.port).await?;
        let entrance = Entrance::to(&listener).map_err(|e| Wrong::new(e.to_string()))?;
        announce(&node, &entrance.url, serve.no_open).await;
        let pages = crate::http::serve(node.clone(), listener, entrance.token);
        tokio::select! {
            ended = pages => ended.map_err(|e| Wrong::new(format!("the pages stopped: {e}"))),
            () = asked_to_end() => Ok(()),
        }?;
        node.quit().await;
        Ok(())
    })
}

/// The port asked for; or else the usual one, so that a page finds its unsent taps again after a
/// restart, which browsers keep by address; or else any.
async fn page_port(asked: Option<u16>) -> Result<tokio::net::TcpListener, Wrong> {
    let bind = |port| tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, port));
    let bound = match asked {
        Some(port) => bind(port).await,
        None => match bind(PAGE_PORT).await {
            Ok(listener) => Ok(listener),
            Err(_) => bind(0).await,
        },
    };
    bound.map_err(|e| {
        Wrong::new(format!(
            "port {} on this device can't be used for the pages ({e}): name another with --port",
            asked.unwrap_or(PAGE_PORT)
        ))
    })
}

/// Ctrl-C, or the system's own way of ending a program.
async fn asked_to_end() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminate) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = tokio::signal::ctrl_c() => {}
            }
            return;
        }
    }
    tokio::signal::ctrl_c().await.ok();
}

async fn announce(node: &crate::Node, url: &str, no_open: bool) {
    let device = node.device().await;
    if no_open {
        let line = serde_json::json!({
            "url": url,
            "address": device.as_ref().and_then(|d| d.address.clone()),
        });
        say(&line.to_string());
        return;
    }
    say(&format!(
        "Gravelbar is open on this device. Its pages: {url}\nStop it with Ctrl-C. A notebook, not an interlock: it sees no current and cuts none."
    ));
    for notice in device.map(|d| d.notices).unwrap_or_default() {
        say(&format!("Please note: {}", notice.words));
    }
    if open::that_detached(url).is_err() {
        say("No browser could be opened: copy the address above into one on this device.");
    }
}
