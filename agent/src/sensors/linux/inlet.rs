//! The room's temperature by a sensor that its own driver calls ambient or inlet.
//!
//! Such a sensor sits where the air comes in, but inside: at rest it reads somewhat more than the room. How much more
//! differs from model to model, so it moves the indoor guess rather than replaces it.

use windrow_model::channel::Channel;
use windrow_model::record::wire::{Ambient, AmbientSource};

use super::attribute::Attribute;
use super::chips::{Chip, Input};
use super::gauge::Gauge;
use super::tree::Tree;

/// What a laptop at rest warms such a sensor by, and how far that differs from model to model, K. Common practice,
/// no source.
const WARMED_K: f64 = 3.0;
const WARMED_SD_K: f64 = 3.0;
/// Rooms in which a laptop is used, °C; outside it the sensor measures something else.
const ROOM_C: std::ops::RangeInclusive<f64> = 5.0..=40.0;
const WORDS: [&str; 3] = ["ambient", "inlet", "intake"];

/// The room as the coolest such sensor tells it, joined with the indoor guess; `None` where there is none.
pub(super) fn ambient(tree: &Tree, chips: &[Chip], indoor: Ambient, now_s: f64) -> Option<Ambient> {
    let inputs = chips.iter().flat_map(|c| c.inputs(tree, "temp", "input").into_iter().map(move |i| (c, i)));
    let called_so = inputs.filter(|(_, input)| is_called_so(input));
    let read_c = called_so.filter_map(|(chip, input)| read(tree, chip, &input, now_s)).reduce(f64::min)?;
    ROOM_C.contains(&read_c).then(|| joined(read_c - WARMED_K, indoor))
}

fn is_called_so(input: &Input) -> bool {
    let label = input.label.as_deref().unwrap_or("").to_lowercase();
    WORDS.iter().any(|word| label.contains(word))
}

fn read(tree: &Tree, chip: &Chip, input: &Input, now_s: f64) -> Option<f64> {
    let attribute: Attribute = chip.open(tree, &input.value).ok()?;
    Gauge::new(Channel::BoardTempC, chip.source(input), attribute, 1000.0, chip.keeps_s).peek(tree, now_s)
}

/// Two independent statements of the same temperature, weighted by their precision.
fn joined(sensed_c: f64, indoor: Ambient) -> Ambient {
    let (sensed, guessed) = (WARMED_SD_K.powi(-2), indoor.sd_k.powi(-2));
    let value_c = (sensed_c * sensed + indoor.value_c * guessed) / (sensed + guessed);
    Ambient { value_c, sd_k: (sensed + guessed).sqrt().recip(), source: AmbientSource::Sensor }
}

#[cfg(test)]
mod tests {
    use super::super::chips;
    use super::*;

    const INDOOR: Ambient = Ambient { value_c: 23.0, sd_k: 3.0, source: AmbientSource::Prior };

    fn told(label: &str, millidegrees: &str) -> Option<Ambient> {
        let folder = tempfile::tempdir().unwrap();
        let chip = folder.path().join("sys/class/hwmon/hwmon0");
        std::fs::create_dir_all(&chip).unwrap();
        for (file, text) in [("name", "dell_smm"), ("temp3_input", millidegrees), ("temp3_label", label)] {
            std::fs::write(chip.join(file), text).unwrap();
        }
        let tree = Tree::new(folder.path());
        ambient(&tree, &chips::list(&tree), INDOOR, 0.0)
    }

    #[test]
    fn a_sensor_that_is_called_ambient_moves_the_guess_half_way() {
        let told = told("Ambient", "32000\n").unwrap();
        // 29 ± 3 and 23 ± 3: their mean, and 3/√2.
        assert!(
            (told.value_c - 26.0).abs() < 1e-9 && (told.sd_k - 3.0 / 2f64.sqrt()).abs() < 1e-9,
            "{told:?}"
        );
        assert_eq!(told.source, AmbientSource::Sensor);
    }

    #[test]
    fn what_cannot_be_a_room_or_is_not_called_so_tells_nothing() {
        assert_eq!(told("Ambient", "62000\n"), None);
        assert_eq!(told("Ambient", "0\n"), None);
        assert_eq!(told("Ambient", "N/A\n"), None);
        assert_eq!(told("CPU", "32000\n"), None);
    }
}
