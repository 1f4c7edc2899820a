//! The emulated laptop behind the machine's traits, in virtual time or driven by a load really applied.

use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use chrono::{DateTime, TimeDelta, Utc};
use windrow_model::channel::{Channel, N_CHANNELS};
use windrow_model::emulate::{Faults, Laptop, LaptopSpec, Room, Start};
use windrow_model::record::wire;

use crate::machine::{Battery, Clock, Facts, Load, Machine, Reading, Sensors};

/// Version of the emulated load: one iteration of the model is not one of the real mix.
const MIX_VERSION: &str = "emulated-1";

/// What to emulate.
#[derive(Debug, Clone)]
pub struct Emulated {
    /// The model of laptop.
    pub spec: LaptopSpec,
    /// What ails it.
    pub faults: Faults,
    /// Where it stands.
    pub room: Room,
    /// In what state it is met.
    pub start: Start,
    /// Seed of its noise.
    pub seed: u64,
}

/// The laptop, shared by its sensors, its load and its clock.
#[derive(Clone)]
struct Shared(Arc<Mutex<State>>);

struct State {
    laptop: Laptop,
    loaded: bool,
}

impl fmt::Debug for Shared {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "an emulated {}", self.lock().laptop.spec().model.product)
    }
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        // A panic elsewhere leaves the laptop as it was at its last step, which is a state like any other.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Its sensors.
#[derive(Debug)]
pub struct EmulatedSensors {
    shared: Shared,
    /// Steps the laptop along a real clock before each sweep.
    follow: Option<Follow>,
}

/// Follows the load that this process really applies.
#[derive(Debug)]
struct Follow {
    last_s: Option<(f64, f64)>,
    logical_cpus: f64,
}

/// Its load, in virtual time.
#[derive(Debug)]
pub struct EmulatedLoad(Shared);

/// Its virtual time.
#[derive(Debug)]
pub struct VirtualClock {
    shared: Shared,
    began_at: DateTime<Utc>,
}

/// An emulated laptop in virtual time: a whole check takes milliseconds. `began_at` is what its wall clock says
/// at the start.
pub fn in_virtual_time(
    what: &Emulated,
    began_at: DateTime<Utc>,
) -> Machine<EmulatedSensors, EmulatedLoad, VirtualClock> {
    let shared = shared(what);
    Machine {
        sensors: EmulatedSensors { shared: shared.clone(), follow: None },
        load: EmulatedLoad(shared.clone()),
        clock: VirtualClock { shared, began_at },
        provenance: wire::Provenance::Emulated,
        emulation: Some(emulation(what, true)),
        boot_id: boot_id(what.seed),
        platform: platform(),
    }
}

/// An emulated laptop whose temperature follows the load that this process really applies, on a real clock.
pub fn in_real_time<L: Load, C: Clock>(what: &Emulated, load: L, clock: C) -> Machine<EmulatedSensors, L, C> {
    let logical_cpus = std::thread::available_parallelism().map_or(1.0, |n| n.get() as f64);
    Machine {
        sensors: EmulatedSensors {
            shared: shared(what),
            follow: Some(Follow { last_s: None, logical_cpus }),
        },
        load,
        clock,
        provenance: wire::Provenance::Emulated,
        emulation: Some(emulation(what, false)),
        boot_id: boot_id(what.seed),
        platform: platform(),
    }
}

fn shared(what: &Emulated) -> Shared {
    let laptop = Laptop::new(&what.spec, &what.faults, what.room, what.seed).met(what.start);
    Shared(Arc::new(Mutex::new(State { laptop, loaded: false })))
}

fn emulation(what: &Emulated, virtual_time: bool) -> wire::Emulation {
    wire::Emulation { faults: what.faults.to_string(), seed: what.seed, virtual_time }
}

/// A boot id that says what it is: it belongs to no machine.
fn boot_id(seed: u64) -> String {
    format!("emulated-{seed}")
}

fn platform() -> wire::Platform {
    wire::Platform { os: "emulated".into(), kernel: "emulated".into(), arch: std::env::consts::ARCH.into() }
}

impl Sensors for EmulatedSensors {
    fn sweep(&mut self) -> Reading {
        if let Some(follow) = &mut self.follow {
            follow.step(&self.shared);
        }
        let reading = self.shared.lock().laptop.reading();
        let mut values = reading.values;
        debug_assert_eq!(values.len(), N_CHANNELS);
        // The check itself knows both better.
        values[Channel::LoadPct as usize] = f64::NAN;
        values[Channel::WorkRate as usize] = f64::NAN;
        Reading { values, on_ac: Some(reading.on_ac), lid_closed: None }
    }

    fn facts(&mut self) -> Facts {
        let battery = Battery {
            charge_pct: Some(90.0),
            health: Some("Good".into()),
            charging: Some(false),
            temp_c: None,
        };
        Facts { battery: Some(battery), external_display: None }
    }

    fn sources(&self) -> Vec<wire::Source> {
        let sensors = self.shared.lock().laptop.spec().sensors;
        let always = [Channel::CpuTempC, Channel::BusyPct];
        let optional = [
            (Channel::PackagePowerW, sensors.power),
            (Channel::Fan1Rpm, self.n_fans() > 0),
            (Channel::Fan2Rpm, self.n_fans() > 1),
            (Channel::CoreClockMhz, sensors.clock),
            (Channel::ThrottleCount, sensors.throttle),
        ];
        let present = optional.into_iter().filter(|(_, there)| *there).map(|(c, _)| c);
        always
            .into_iter()
            .chain(present)
            .map(|c| wire::Source { channel: c.spec().column.into(), source: "emulated".into() })
            .collect()
    }

    fn limit(&self) -> Option<wire::Limit> {
        Some(self.shared.lock().laptop.limit())
    }

    fn context(&mut self) -> wire::Context {
        wire::Context {
            on_ac: Some(self.shared.lock().laptop.on_ac()),
            battery_pct: Some(90.0),
            battery_charging: Some(false),
            ..wire::Context::default()
        }
    }

    fn model(&self) -> wire::Model {
        self.shared.lock().laptop.spec().model.clone()
    }
}

impl EmulatedSensors {
    fn n_fans(&self) -> usize {
        self.shared.lock().laptop.spec().fans.len()
    }
}

impl Follow {
    fn step(&mut self, shared: &Shared) {
        let now_s = seconds(rustix::time::clock_gettime(rustix::time::ClockId::Boottime));
        let cpu_s = seconds(rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime));
        if let Some((last_s, last_cpu_s)) = self.last_s.replace((now_s, cpu_s)) {
            let passed_s = now_s - last_s;
            let load = if passed_s > 0.0 { (cpu_s - last_cpu_s) / passed_s / self.logical_cpus } else { 0.0 };
            shared.lock().laptop.step(passed_s, load);
        }
    }
}

fn seconds(t: rustix::time::Timespec) -> f64 {
    t.tv_sec as f64 + t.tv_nsec as f64 * 1e-9
}

impl Load for EmulatedLoad {
    fn start(&mut self) -> std::io::Result<()> {
        self.0.lock().loaded = true;
        Ok(())
    }

    fn stop(&mut self) {
        self.0.lock().loaded = false;
    }

    fn work_done(&self) -> u64 {
        self.0.lock().laptop.work_done()
    }

    fn mix(&self) -> wire::LoadMix {
        wire::LoadMix { version: MIX_VERSION.into(), target: "emulated".into(), compiler: "none".into() }
    }
}

impl Clock for VirtualClock {
    fn now_s(&self) -> f64 {
        self.shared.lock().laptop.now_s()
    }

    fn sleep_until(&mut self, time_s: f64, wake: &mut dyn FnMut() -> bool) {
        if wake() {
            return;
        }
        let mut state = self.shared.lock();
        let load = if state.loaded { 1.0 } else { 0.0 };
        let wait_s = time_s - state.laptop.now_s();
        state.laptop.step(wait_s, load);
    }

    fn wall(&self) -> DateTime<Utc> {
        let passed_ms = (self.now_s() * 1000.0) as i64;
        self.began_at + TimeDelta::milliseconds(passed_ms)
    }
}
