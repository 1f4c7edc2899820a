//! `windrow survey`: what this machine lets us read, and what can be judged with it.

use crate::cli::SurveyArgs;
use crate::failure::{Failure, Outcome};
use crate::output::Output;

pub(super) fn run(_args: &SurveyArgs, _output: &mut Output) -> Outcome {
    Err(Failure::new("no sensors can be read here"))
}
