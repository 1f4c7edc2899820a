//! `windrow send`: sends what waits in the spool.

use super::settings::HubWords;
use super::{post, print, print_json, signals};
use crate::cli::SendArgs;
use crate::exit::Exit;
use crate::failure::{Failure, Outcome};
use crate::output::Output;
use crate::post::{Patience, SendReport};
use crate::spool::Spool;
use crate::state::StateDir;

pub(super) fn run(args: &SendArgs, state: &StateDir, output: &mut Output) -> Outcome {
    let words = HubWords::of(args.hub.as_deref(), args.plain_http, args.ca_file.as_deref())?;
    let hub = words.hub(state)?;
    let _lock = state.lock()?;
    let spool = Spool::new(state);
    let n_waiting = spool.waiting()?.len();
    let Some(hub) = hub else {
        return Err(Failure::new(format!("no hub was joined; {} in the spool", post::records(n_waiting)))
            .remedy("ask the administrator for an invite and run `windrow join`")
            .exit(if n_waiting > 0 { Exit::Waiting } else { Exit::Failed }));
    };
    if n_waiting == 0 {
        return if args.json {
            print_json(output, &SendReport::default()).map(|()| Exit::Done)
        } else {
            print(output, "Nothing waits.").map(|()| Exit::Done)
        };
    }
    let report = post::send(state, &hub, Patience::SEND, &signals::stop_flag()?)?;
    post::tell(&report, &hub, output);
    if args.json {
        print_json(output, &report)?;
    }
    Ok(post::exit_of(&report))
}
