//! Invented models of laptop. No number here is a real product's: they lie within the ranges that
//! docs/method.md names for thin, common and heavy laptops.

use super::fan::{Drive, FanTable};
use super::power::PowerSpec;
use super::sensors::{SensorSet, SensorSpec};
use super::spec::{LaptopSpec, ThermalSpec};
use crate::record::wire;

/// All models of the catalogue.
pub fn catalogue() -> Vec<LaptopSpec> {
    vec![quill(), tamsel(), tamsel_plus(), orrin(), velden(), ibbet(), marlow(), perrin()]
}

/// The model of a product name, in lower or upper case.
pub fn model_of(product: &str) -> Option<LaptopSpec> {
    catalogue().into_iter().find(|s| s.model.product.eq_ignore_ascii_case(product))
}

fn model(product: &str, sku: &str, cpu: &str, logical_cpus: u32, firmware: &str) -> wire::Model {
    wire::Model {
        vendor: "Halvard Instruments".into(),
        product: product.into(),
        sku: sku.into(),
        cpu: cpu.into(),
        logical_cpus,
        firmware: firmware.into(),
    }
}

const THERMAL: ThermalSpec = ThermalSpec {
    contact_k_per_w: 0.90,
    paste_share: 0.30,
    die_j_per_k: 2.0,
    sink_j_per_k: 75.0,
    case_j_per_k: 800.0,
    board_j_per_k: 150.0,
    passive_w_per_k: 0.10,
    forced_w_per_k: 0.55,
    flow_exponent: 0.75,
    system_exponent: 2.0,
    sink_case_w_per_k: 0.10,
    sink_board_w_per_k: 0.04,
    board_case_w_per_k: 0.25,
    case_air_w_per_k: 0.45,
    board_w: 2.5,
};

const POWER: PowerSpec = PowerSpec {
    idle_w: 2.2,
    full_w: 38.0,
    leakage_w: 1.0,
    sustained_w: 20.0,
    boost_w: 28.0,
    window_s: 28.0,
    clock_max_mhz: 4100.0,
    clock_min_mhz: 900.0,
    throttle_at_c: 98.0,
    battery_share: 0.75,
    work_per_s: 2.4e8,
};

const FAN: FanTable = FanTable {
    rpm_min: 2200.0,
    rpm_max: 5000.0,
    on_at_c: 50.0,
    full_at_c: 90.0,
    hysteresis_k: 5.0,
    steps: 0,
    stops_when_cool: true,
    slew_rpm_per_s: 500.0,
    motor_tau_s: 1.2,
    drive: Drive::OpenLoop,
};

const SENSORS: SensorSet = SensorSet {
    cpu: SensorSpec::DIE_WHOLE,
    rpm: Some(SensorSpec::TACHO),
    power: true,
    pwm: true,
    clock: true,
    throttle: true,
    ssd: Some(SensorSpec::SLOW),
    board: Some(SensorSpec::SLOW),
    battery: Some(SensorSpec { interval_s: 5.0, step: 0.1, ..SensorSpec::SLOW }),
    critical_c: Some(100.0),
};

/// Thin and without a fan.
fn quill() -> LaptopSpec {
    LaptopSpec {
        model: model("Quill 12", "Q12-A", "Emulated four-core", 8, "1.08"),
        thermal: ThermalSpec {
            contact_k_per_w: 1.5,
            sink_j_per_k: 110.0,
            case_j_per_k: 600.0,
            passive_w_per_k: 0.08,
            forced_w_per_k: 0.0,
            sink_case_w_per_k: 0.45,
            ..THERMAL
        },
        power: PowerSpec {
            idle_w: 0.9,
            full_w: 14.0,
            leakage_w: 0.4,
            sustained_w: 7.5,
            boost_w: 12.0,
            throttle_at_c: 95.0,
            work_per_s: 0.9e8,
            ..POWER
        },
        fans: vec![],
        sensors: SensorSet { rpm: None, pwm: false, ..SENSORS },
    }
}

/// The common office laptop.
fn tamsel() -> LaptopSpec {
    LaptopSpec {
        model: model("Tamsel 14", "T14-B", "Emulated eight-core", 16, "2.31"),
        thermal: THERMAL,
        power: POWER,
        fans: vec![FAN],
        sensors: SENSORS,
    }
}

/// The same with a stepped fan table that holds its speed.
fn tamsel_plus() -> LaptopSpec {
    LaptopSpec {
        model: model("Tamsel 15", "T15-C", "Emulated eight-core", 16, "2.40"),
        thermal: ThermalSpec { sink_j_per_k: 90.0, forced_w_per_k: 0.65, case_j_per_k: 950.0, ..THERMAL },
        power: PowerSpec { sustained_w: 25.0, boost_w: 35.0, full_w: 46.0, ..POWER },
        fans: vec![FanTable {
            rpm_min: 1900.0,
            rpm_max: 4600.0,
            steps: 7,
            stops_when_cool: false,
            drive: Drive::ClosedLoop { headroom: 0.15 },
            ..FAN
        }],
        sensors: SENSORS,
    }
}

/// Two fans and a heavy processor.
fn orrin() -> LaptopSpec {
    LaptopSpec {
        model: model("Orrin 16 W", "O16-W", "Emulated sixteen-core", 32, "1.17"),
        thermal: ThermalSpec {
            contact_k_per_w: 0.42,
            die_j_per_k: 4.5,
            sink_j_per_k: 150.0,
            case_j_per_k: 1300.0,
            passive_w_per_k: 0.16,
            forced_w_per_k: 1.35,
            sink_case_w_per_k: 0.15,
            case_air_w_per_k: 0.60,
            board_w: 4.0,
            ..THERMAL
        },
        power: PowerSpec {
            idle_w: 4.5,
            full_w: 110.0,
            leakage_w: 2.5,
            sustained_w: 55.0,
            boost_w: 85.0,
            work_per_s: 6.5e8,
            ..POWER
        },
        fans: vec![
            FanTable { rpm_min: 1800.0, rpm_max: 5400.0, stops_when_cool: false, ..FAN },
            FanTable { rpm_min: 1800.0, rpm_max: 5600.0, stops_when_cool: false, ..FAN },
        ],
        sensors: SensorSet { cpu: SensorSpec::DIE_FINE, ..SENSORS },
    }
}

/// Tells no power.
fn velden() -> LaptopSpec {
    LaptopSpec {
        model: model("Velden 14", "V14-A", "Emulated six-core", 12, "0.92"),
        thermal: ThermalSpec { contact_k_per_w: 1.0, sink_j_per_k: 65.0, forced_w_per_k: 0.5, ..THERMAL },
        power: PowerSpec { sustained_w: 18.0, boost_w: 25.0, ..POWER },
        fans: vec![FanTable { on_at_c: 47.0, rpm_max: 4800.0, ..FAN }],
        sensors: SensorSet {
            cpu: SensorSpec::DIE_FINE,
            power: false,
            pwm: false,
            throttle: false,
            ..SENSORS
        },
    }
}

/// Tells no fan speed.
fn ibbet() -> LaptopSpec {
    LaptopSpec {
        model: model("Ibbet 13", "I13-D", "Emulated eight-core", 8, "3.02"),
        thermal: ThermalSpec {
            contact_k_per_w: 1.1,
            sink_j_per_k: 55.0,
            case_j_per_k: 620.0,
            forced_w_per_k: 0.45,
            system_exponent: 1.7,
            ..THERMAL
        },
        power: PowerSpec { sustained_w: 15.0, boost_w: 24.0, full_w: 30.0, window_s: 20.0, ..POWER },
        fans: vec![FanTable { rpm_min: 2600.0, rpm_max: 6200.0, on_at_c: 52.0, ..FAN }],
        sensors: SensorSet { rpm: None, pwm: false, board: None, ..SENSORS },
    }
}

/// Runs at its limit by design.
fn marlow() -> LaptopSpec {
    LaptopSpec {
        model: model("Marlow 15", "M15-G", "Emulated fourteen-core", 20, "1.55"),
        thermal: ThermalSpec {
            contact_k_per_w: 0.60,
            die_j_per_k: 3.0,
            sink_j_per_k: 110.0,
            case_j_per_k: 1100.0,
            forced_w_per_k: 0.80,
            ..THERMAL
        },
        power: PowerSpec {
            idle_w: 3.5,
            full_w: 80.0,
            leakage_w: 2.0,
            sustained_w: 45.0,
            boost_w: 70.0,
            throttle_at_c: 95.0,
            work_per_s: 4.6e8,
            ..POWER
        },
        fans: vec![
            FanTable { rpm_min: 2100.0, rpm_max: 5200.0, on_at_c: 45.0, full_at_c: 85.0, ..FAN },
            FanTable { rpm_min: 2000.0, rpm_max: 4900.0, on_at_c: 45.0, full_at_c: 85.0, ..FAN },
        ],
        sensors: SensorSet { pwm: false, ..SENSORS },
    }
}

/// A slow sensor behind an embedded controller, few channels.
fn perrin() -> LaptopSpec {
    LaptopSpec {
        model: model("Perrin 11 E", "P11-E", "Emulated four-core", 4, "1.00"),
        thermal: ThermalSpec {
            contact_k_per_w: 1.6,
            die_j_per_k: 1.6,
            sink_j_per_k: 50.0,
            case_j_per_k: 500.0,
            forced_w_per_k: 0.35,
            ..THERMAL
        },
        power: PowerSpec {
            idle_w: 1.3,
            full_w: 18.0,
            leakage_w: 0.5,
            sustained_w: 10.0,
            boost_w: 15.0,
            work_per_s: 0.7e8,
            ..POWER
        },
        fans: vec![FanTable { rpm_min: 2400.0, rpm_max: 5600.0, on_at_c: 46.0, full_at_c: 80.0, ..FAN }],
        sensors: SensorSet {
            cpu: SensorSpec { lag_s: 1.5, noise: 0.2, step: 1.0, interval_s: 1.0 },
            power: false,
            pwm: false,
            throttle: false,
            ssd: None,
            critical_c: None,
            ..SENSORS
        },
    }
}
