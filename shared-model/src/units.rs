//! A temperature and a temperature difference are two types, so that a rise cannot be taken for a reading.
//!
//! Arrays and wire fields carry the unit in their names instead (`rise_k`, `cpu_temp_c`).

use std::ops::{Add, Sub};

use serde::{Deserialize, Serialize};

/// A temperature on the Celsius scale.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(transparent)]
pub struct Celsius(pub f64);

/// A temperature difference in kelvins.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(transparent)]
pub struct Kelvins(pub f64);

impl Sub for Celsius {
    type Output = Kelvins;
    fn sub(self, other: Self) -> Kelvins {
        Kelvins(self.0 - other.0)
    }
}

impl Add<Kelvins> for Celsius {
    type Output = Self;
    fn add(self, by: Kelvins) -> Self {
        Self(self.0 + by.0)
    }
}

impl Sub<Kelvins> for Celsius {
    type Output = Self;
    fn sub(self, by: Kelvins) -> Self {
        Self(self.0 - by.0)
    }
}
