//! A model of laptop: what all its units share.

use super::fan::FanTable;
use super::power::PowerSpec;
use super::random::Random;
use super::sensors::SensorSet;
use crate::record::wire;

/// A model of laptop.
#[derive(Debug, Clone, PartialEq)]
pub struct LaptopSpec {
    /// Names and firmware, as a record gives them.
    pub model: wire::Model,
    /// Masses and conductances.
    pub thermal: ThermalSpec,
    /// Power and clock.
    pub power: PowerSpec,
    /// One table a fan; empty: no fan.
    pub fans: Vec<FanTable>,
    /// What can be read.
    pub sensors: SensorSet,
}

/// Masses and conductances of the nodes: die with spreader, sink, case, board with SSD.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ThermalSpec {
    /// Die to sink, as new: die attach, paste, mounting, heat pipe.
    pub contact_k_per_w: f64,
    /// Share of it that is paste and mounting. About a third (docs/method.md).
    pub paste_share: f64,
    /// Heat capacity of die and spreader.
    pub die_j_per_k: f64,
    /// Of the sink.
    pub sink_j_per_k: f64,
    /// Of the case.
    pub case_j_per_k: f64,
    /// Of the board with the SSD.
    pub board_j_per_k: f64,
    /// Sink to air with the fan standing.
    pub passive_w_per_k: f64,
    /// What the fans add at full speed, as new, at sea level.
    pub forced_w_per_k: f64,
    /// Exponent of conductance in mass flow, 0.5–0.9.
    pub flow_exponent: f64,
    /// Exponent of the system curve, 1 (laminar) to 2.
    pub system_exponent: f64,
    /// Sink to case.
    pub sink_case_w_per_k: f64,
    /// Sink to board.
    pub sink_board_w_per_k: f64,
    /// Board to case.
    pub board_case_w_per_k: f64,
    /// Case to room.
    pub case_air_w_per_k: f64,
    /// Heat of everything that isn't the processor.
    pub board_w: f64,
}

/// The room.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Room {
    /// °C.
    pub ambient_c: f64,
    /// Metres above the sea.
    pub altitude_m: f64,
}

impl Default for Room {
    fn default() -> Self {
        Self { ambient_c: 23.0, altitude_m: 0.0 }
    }
}

/// Air density over that at sea level: the troposphere of the U.S. Standard Atmosphere 1976,
/// (1 − 6.5 K/km · h / 288.15 K)^(g₀M/(R·L) − 1), in geopotential height.
pub fn air_density_ratio(altitude_m: f64) -> f64 {
    const EARTH_RADIUS_M: f64 = 6_356_766.0;
    const LAPSE_K_PER_M: f64 = 0.0065;
    const SEA_LEVEL_K: f64 = 288.15;
    const DENSITY_EXPONENT: f64 = 9.80665 * 0.028_964_4 / (8.314_32 * LAPSE_K_PER_M) - 1.0;
    let geopotential_m = EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m);
    (1.0 - LAPSE_K_PER_M * geopotential_m / SEA_LEVEL_K).powf(DENSITY_EXPONENT)
}

/// Spread of units about their model, as standard deviations of the logarithm. From what same-model chips and
/// simulated fleets show (docs/method.md); invented beyond that.
const SPREAD_CONTACT: f64 = 0.04;
const SPREAD_FORCED: f64 = 0.04;
const SPREAD_POWER: f64 = 0.05;
const SPREAD_RPM: f64 = 0.015;

impl LaptopSpec {
    /// One unit of this model: the model's numbers, spread as units differ when new.
    #[must_use]
    pub fn unit(&self, seed: u64) -> Self {
        let mut random = Random::new(seed);
        let mut spread = |sd: f64| (sd * random.normal().clamp(-2.5, 2.5)).exp();
        let mut unit = self.clone();
        unit.thermal.contact_k_per_w *= spread(SPREAD_CONTACT);
        unit.thermal.forced_w_per_k *= spread(SPREAD_FORCED);
        unit.thermal.passive_w_per_k *= spread(SPREAD_FORCED);
        let power = spread(SPREAD_POWER);
        unit.power.full_w *= power;
        unit.power.leakage_w *= power;
        for fan in &mut unit.fans {
            let speed = spread(SPREAD_RPM);
            fan.rpm_max *= speed;
            fan.rpm_min *= speed;
        }
        unit
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// U.S. Standard Atmosphere 1976, density at geometric altitude, kg/m³, as printed.
    #[test]
    fn air_thins_as_the_standard_atmosphere_says() {
        for (altitude_m, density) in
            [(1000.0, 1.1117), (2000.0, 1.0066), (3000.0, 0.90925), (4000.0, 0.81935)]
        {
            let got = 1.225 * air_density_ratio(altitude_m);
            assert!((got - density).abs() < 6e-5, "{altitude_m} m: {got} {density}");
        }
        assert_eq!(air_density_ratio(0.0), 1.0);
    }
}
