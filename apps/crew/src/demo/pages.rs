//! Shows the lead's pages once the story is told.

use std::io::{self, Write};
use std::net::Ipv4Addr;

use gravelbar_visit::DocumentId;

use crate::http::Entrance;
use crate::node::Node;

/// Serves the pages of `node` until the program is told to stop.
pub(super) async fn show(node: &Node, visit: DocumentId, open_browser: bool) -> io::Result<()> {
    let listener = tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await?;
    let Entrance { url, token } = Entrance::to(&listener)?;
    {
        let mut out = io::stdout().lock();
        writeln!(out, "\nThe lead's device goes on. Its pages: {url}")?;
        writeln!(out, "The visit is {visit}. Stop with Ctrl-C.")?;
        out.flush()?;
    }
    if open_browser {
        // The address stands above for whoever has to open it by hand.
        open::that_detached(&url).ok();
    }
    tokio::select! {
        ended = crate::http::serve(node.clone(), listener, token) => ended,
        stopped = tokio::signal::ctrl_c() => stopped,
    }
}
