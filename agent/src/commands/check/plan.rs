//! What is meant by what was typed, checked before anything begins.

use std::path::PathBuf;

use windrow_model::emulate::{self, Faults, LaptopSpec};
use windrow_model::protocol::{Protocol, ProtocolKind};
use windrow_model::record::limits::MAX_PHASE_S;
use windrow_model::record::wire::Ambient;

use crate::cli::CheckArgs;
use crate::commands::settings::{self, HubWords};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::hub::HubAddress;
use crate::state::StateDir;

/// Largest seed that a record holds exactly.
const SEED_MAX: u64 = (1 << 53) - 1;

/// A check, decided.
#[derive(Debug)]
pub(super) struct Plan {
    pub(super) protocol: Protocol,
    pub(super) ambient: Option<Ambient>,
    pub(super) emulation: Option<EmulationPlan>,
    pub(super) root: PathBuf,
    pub(super) busy_max_pct: Option<f64>,
    pub(super) report: Option<PathBuf>,
    pub(super) trace: Option<PathBuf>,
    pub(super) show: Show,
    /// Whether nobody is asked.
    pub(super) unattended: bool,
    /// Whether the person is asked and shown in the browser.
    pub(super) in_browser: bool,
    /// `None`: nothing is posted now.
    hub: Option<HubWords>,
}

/// What goes to stdout.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Show {
    Verdict,
    Json,
    Record,
}

/// What to emulate.
#[derive(Debug)]
pub(super) struct EmulationPlan {
    pub(super) spec: LaptopSpec,
    pub(super) faults: Faults,
    pub(super) seed: u64,
    pub(super) real_time: bool,
}

impl Plan {
    pub(super) fn of(args: &CheckArgs) -> Result<Self, Failure> {
        let plan = Self {
            protocol: protocol(args)?,
            ambient: args.ambient.as_deref().map(settings::ambient).transpose()?,
            emulation: args.emulate.as_deref().map(|faults| emulation(faults, args)).transpose()?,
            root: args.root.clone().unwrap_or_else(|| "/".into()),
            busy_max_pct: args.busy_limit,
            report: args.report.clone(),
            trace: args.trace.clone(),
            show: match (args.json, args.show_record) {
                (true, _) => Show::Json,
                (false, true) => Show::Record,
                (false, false) => Show::Verdict,
            },
            unattended: args.yes,
            in_browser: args.open,
            hub: if args.keep { None } else { Some(hub(args)?) },
        };
        for path in [&plan.report, &plan.trace].into_iter().flatten() {
            settings::writable(path)?;
        }
        Ok(plan)
    }

    /// The hub that will be posted to.
    pub(super) fn hub(&self, state: &StateDir) -> Result<Option<HubAddress>, Failure> {
        self.hub.as_ref().map_or(Ok(None), |words| words.hub(state))
    }

    /// Whether this process really loads the machine.
    pub(super) fn loads_this_machine(&self) -> bool {
        self.emulation.as_ref().is_none_or(|e| e.real_time)
    }
}

fn protocol(args: &CheckArgs) -> Result<Protocol, Failure> {
    let Some(phases) = &args.phases else {
        return Ok(if args.quick { Protocol::QUICK } else { Protocol::STANDARD });
    };
    let in_range = |s: &f64| s.is_finite() && (1.0..=MAX_PHASE_S).contains(s);
    match phases.as_slice() {
        [settle_s, load_s, recovery_s] if phases.iter().all(in_range) => Ok(Protocol {
            kind: ProtocolKind::Custom,
            settle_min_s: settle_s.min(Protocol::STANDARD.settle_min_s),
            settle_max_s: *settle_s,
            load_s: *load_s,
            recovery_s: *recovery_s,
            sample_hz: Protocol::STANDARD.sample_hz,
        }),
        _ => Err(Failure::new(format!("phases must be three lengths of 1 to {MAX_PHASE_S} s"))
            .remedy("give them as in `--phases 30,60,60`")
            .exit(Exit::Usage)),
    }
}

fn emulation(faults: &str, args: &CheckArgs) -> Result<EmulationPlan, Failure> {
    let faults: Faults = faults
        .parse()
        .map_err(|e: emulate::FaultError| Failure::new(e.to_string()).remedy(e.remedy()).exit(Exit::Usage))?;
    let spec = emulate::model_of(&args.model_like).ok_or_else(|| {
        let names: Vec<String> =
            emulate::catalogue().into_iter().map(|s| format!("`{}`", s.model.product)).collect();
        Failure::new(format!("no emulated laptop is called `{}`", args.model_like))
            .remedy(format!("choose one of {}", names.join(", ")))
            .exit(Exit::Usage)
    })?;
    if args.seed > SEED_MAX {
        return Err(Failure::new(format!("a seed of `{}` is too large", args.seed))
            .remedy(format!("give one of at most {SEED_MAX}"))
            .exit(Exit::Usage));
    }
    Ok(EmulationPlan { spec, faults, seed: args.seed, real_time: args.real_time })
}

fn hub(args: &CheckArgs) -> Result<HubWords, Failure> {
    if let Some(url) = &args.hub {
        // An address that may not be spoken to is told before anything is opened.
        HubAddress::new(url, args.plain_http)?;
    }
    HubWords::of(args.hub.as_deref(), args.plain_http, args.ca_file.as_deref())
}
