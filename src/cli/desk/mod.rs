//! Owns `unlade desk`: the page in the browser of this computer. A copy is begun by it and is the
//! same as the terminal's; nothing that a page does or leaves undone reaches the copy.

mod assets;
mod guard;
mod held;
mod jobs;
mod look;
mod open;
mod pages;
mod picker;
mod readings;
mod reply;
mod server;
mod session;
mod show;
mod state;
mod typed;
mod unfinished;
mod volume;

use crate::cli::args::Common;
use crate::cli::args::desk::DeskArgs;
use crate::cli::exit::Exit;
use crate::cli::system::signals::AtWork;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use serde_json::json;
use session::Session;
use state::{Desk, DeskError};
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use unlade::run::Tools;

/// How often it is looked whether the person wants to stop.
const TICK: Duration = Duration::from_millis(50);

/// Serves the page until the person stops it.
pub(crate) fn desk(args: &DeskArgs, common: &Common, out: Out, tools: &Tools) -> Exit {
    // It ends by itself once it is asked to.
    let _at_work = AtWork::begin();
    match begin(args, common, out, tools) {
        Ok(desk) => serve(&desk, args, out),
        Err(why) => refuse(&[why.to_string()], Exit::Refused, "desk", out, tools),
    }
}

/// Binds the port and starts the threads.
fn begin(
    args: &DeskArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
) -> Result<Arc<Desk>, DeskError> {
    let port = args.port.unwrap_or(0);
    // Nobody but this computer reaches it, and no flag changes that.
    let at = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    let listener = TcpListener::bind(at).map_err(|cause| DeskError::Port(port, cause))?;
    let port = listener.local_addr().map_err(DeskError::Server)?.port();
    let session = Session::new(port).map_err(DeskError::Random)?;
    let desk = Arc::new(Desk::new(session, common.clone(), out, tools.clone()));
    unfinished::remember(&desk);
    server::start(listener, &desk)?;
    show::start(&desk)?;
    look::start(&desk)?;
    Ok(desk)
}

fn serve(desk: &Arc<Desk>, args: &DeskArgs, out: Out) -> Exit {
    let address = desk.session.first_address();
    if out.json {
        let clock = Arc::clone(&desk.tools.clock);
        Json::new(out, clock).send("desk", json!({"url": address}));
    } else if args.no_open {
        out.line(&address);
    } else {
        out.line(&format!("The page: {address}"));
        out.line("It is for this computer alone. Ctrl-C ends it.");
    }
    if !args.no_open
        && let Err(cause) = open::in_browser(&address)
    {
        out.error(&format!(
            "unlade: no browser could be opened ({cause}). Open the address above yourself."
        ));
    }
    while !desk.tools.cancel.load(Ordering::SeqCst) {
        desk.tools.clock.sleep(TICK);
    }
    let exit = jobs::end(desk);
    show::end(desk);
    if let Some(exit) = exit {
        let stopped = exit == Exit::Interrupted;
        if stopped && !out.json {
            out.error("unlade: the copy was interrupted; what is done is kept. Start it again.");
        }
        return exit;
    }
    Exit::Done
}
