//! Signals that ask a command to end.

use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
use signal_hook::iterator::Signals;

use crate::failure::Failure;
use crate::stop::{StopFlag, StopReason};

/// A flag that Ctrl-C and the system's wish to end raise.
///
/// # Errors
/// Where the system doesn't let us listen.
pub(super) fn stop_flag() -> Result<StopFlag, Failure> {
    let flag = StopFlag::new();
    raise_on_signals(&flag)?;
    Ok(flag)
}

/// Ctrl-C and the system's wish to end raise the flag from here on; who works looks at it many times a second.
///
/// # Errors
/// Where the system doesn't let us listen.
pub(super) fn raise_on_signals(flag: &StopFlag) -> Result<(), Failure> {
    let deaf = |e: std::io::Error| Failure::new(format!("cannot listen for Ctrl-C: {e}; nothing was begun"));
    let mut signals = Signals::new([SIGINT, SIGTERM, SIGHUP]).map_err(deaf)?;
    let raised = flag.clone();
    std::thread::Builder::new()
        .name("signals".into())
        .spawn(move || {
            for signal in signals.forever() {
                raised.raise(if signal == SIGINT { StopReason::Interrupt } else { StopReason::Terminate });
            }
        })
        .map_err(deaf)?;
    Ok(())
}
