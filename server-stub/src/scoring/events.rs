//! Model events in words: steps that all laptops of a model made together.

use chrono::NaiveDate;
use windrow_model::condition::doubt::Part;
use windrow_model::condition::events::{EventStart, ModelEvent};
use windrow_model::condition::standing::ModelStanding;

use super::JudgedFleet;
use super::conditions::ms_of_day;

/// All of a fleet's, each with its model.
pub fn all(fleet: &JudgedFleet) -> Vec<String> {
    let parts = fleet.models.iter().flat_map(|(of, model)| model.parts().map(move |part| (of, model, part)));
    let of_part = parts.flat_map(|(of, model, part)| {
        let firmwares = fleet.firmwares.names(of);
        let measured = measured(model, part).map_or_else(String::new, |how| format!(", {how}"));
        let told = move |e: &ModelEvent| {
            format!("{} ({}{measured}): {}", of.model_key, of.provenance, words(e, firmwares))
        };
        part.reference.events.iter().map(told)
    });
    of_part.collect()
}

/// How a part's laptops are measured, where not all of the model are measured alike.
pub fn measured(model: &ModelStanding, part: &ModelStanding) -> Option<String> {
    (!model.others.is_empty()).then(|| format!("measured {}", part.fit.channels.words()))
}

/// One in words: what moved, by how much, from when on, in how many laptops.
pub fn words(event: &ModelEvent, firmwares: &[String]) -> String {
    let what = match event.part {
        Part::Airflow => "airflow",
        Part::Fan => "fan speed for the same temperature",
        Part::Contact => "resistance from chip to sink",
    };
    let factor = event.log_step.exp();
    format!(
        "{what} {factor:.2} times that before, {}, in {} laptops; no laptop's fault, and taken out of their judgement",
        since(event, firmwares),
        event.laptops
    )
}

/// From which run on: the firmware where it began with one, else the day.
pub fn since(event: &ModelEvent, firmwares: &[String]) -> String {
    let on = day(event).map(|d| d.to_string()).unwrap_or_default();
    match event.start {
        EventStart::Day(_) => format!("from {on} on"),
        EventStart::Firmware(number) => {
            let name = (number as usize).checked_sub(1).and_then(|at| firmwares.get(at));
            name.map_or_else(
                || format!("from {on} on"),
                |name| format!("from firmware {name} on (about {on})"),
            )
        }
    }
}

/// The median day of the first run after it.
pub fn day(event: &ModelEvent) -> Option<NaiveDate> {
    super::day_of(ms_of_day(event.day))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_event_tells_its_firmware_or_its_day() {
        let event = ModelEvent {
            part: Part::Fan,
            start: EventStart::Firmware(2),
            day: 20_514.5,
            log_step: 0.85_f64.ln(),
            log_step_se: 0.01,
            laptops: 12,
        };
        let firmwares = ["1.02".to_owned(), "1.07".to_owned()];
        let told = words(&event, &firmwares);
        assert!(
            told.contains("0.85 times") && told.contains("firmware 1.07 on (about 2026-03-02)"),
            "{told}"
        );
        let by_day = ModelEvent { start: EventStart::Day(20_514.0), ..event };
        assert!(words(&by_day, &firmwares).contains("from 2026-03-02 on, in 12 laptops"));
        assert!(
            words(&ModelEvent { start: EventStart::Firmware(9), ..event }, &firmwares).contains("from 2026")
        );
    }
}
