//! A model with its firmware, its months and its weakest laptops.

use windrow_model::METHOD_VERSION;

use crate::access::Viewer;
use crate::pages::fill::Shown;
use crate::pages::fleet::Entry;
use crate::pages::laptop::asks_for_a_visit;
use crate::pages::models::{self, Firmware, Model, Month};
use crate::pages::reading;
use crate::store::{Store, StoreError};

/// Runs that a model's months and firmware rest on: its latest.
const MAX_RUNS: u32 = 1000;
/// Units named as the weakest.
const N_WEAKEST: usize = 12;

/// A model, filled.
pub(in crate::http) struct FilledModel<'a> {
    pub(in crate::http) model: &'a Model,
    pub(in crate::http) weakest: Vec<&'a Entry>,
    pub(in crate::http) months: Vec<Month>,
    pub(in crate::http) firmwares: Vec<Firmware>,
    pub(in crate::http) n_runs_read: usize,
}

/// Of a model that is shown.
///
/// # Errors
/// If the store fails.
pub(in crate::http) async fn model<'a, S: Store>(
    store: &S,
    viewer: &Viewer,
    shown: &'a Shown,
    model: &'a Model,
) -> Result<FilledModel<'a>, StoreError> {
    let runs = store.run_list_of_model(model.name.clone(), METHOD_VERSION, MAX_RUNS).await?;
    let runs = reading::model_runs(runs);
    let due = shown.fleet.laptops.iter().filter(|e| asks_for_a_visit(e.band));
    let theirs = due.filter(|e| *e.model == *model.name && viewer.sees(&e.site));
    Ok(FilledModel {
        model,
        weakest: theirs.take(N_WEAKEST).collect(),
        months: models::months_of(&runs),
        firmwares: models::firmwares_of(&runs),
        n_runs_read: runs.len(),
    })
}
