//! What only a person can tell, asked before the load. "Not now" is an answer.

use std::io::{BufRead, IsTerminal, stdin};

use super::plan::Plan;
use crate::browser::Start;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::output::Output;

/// What a person answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Answers {
    pub(super) attended: bool,
    pub(super) hard_surface: Option<bool>,
    pub(super) bulging: Option<bool>,
}

impl Answers {
    /// Nobody was asked.
    pub(super) const NOBODY: Self = Self { attended: false, hard_surface: None, bulging: None };
}

impl From<Start> for Answers {
    fn from(start: Start) -> Self {
        Self { attended: true, hard_surface: start.hard_surface, bulging: start.bulging }
    }
}

/// How often an answer that is neither is asked again.
const TRIES: usize = 3;

/// Asks. `None`: not now.
///
/// # Errors
/// Nobody there to ask.
pub(super) fn ask(plan: &Plan, output: &mut Output) -> Result<Option<Answers>, Failure> {
    if plan.unattended || !plan.loads_this_machine() {
        return Ok(Some(Answers::NOBODY));
    }
    if !stdin().is_terminal() {
        return Err(Failure::new("nobody is there to ask: standard input is not a terminal")
            .remedy("add `--yes` to start an unattended check")
            .exit(Exit::NotChecked));
    }
    asked(&mut stdin().lock(), output)
}

fn asked(input: &mut dyn BufRead, output: &mut Output) -> Result<Option<Answers>, Failure> {
    if answer("Start now? [y = yes, n = not now]", input, output)? != Some(true) {
        return Ok(None);
    }
    let surface = answer("Does it stand on a hard flat surface? [y/n]", input, output)?;
    let bulging = answer("Does the battery or the case bulge, or does it smell? [y/n]", input, output)?;
    // A person who doesn't answer leaves the question open, and the check then isn't one with known circumstances.
    Ok(Some(Answers { attended: true, hard_surface: surface, bulging }))
}

/// `None` where the input ends or no answer comes.
fn answer(question: &str, input: &mut dyn BufRead, output: &mut Output) -> Result<Option<bool>, Failure> {
    for _ in 0..TRIES {
        output.ask(question);
        let mut line = String::new();
        let n = input
            .read_line(&mut line)
            .map_err(|e| Failure::new(format!("cannot read the answer: {e}")).exit(Exit::NotChecked))?;
        if n == 0 {
            output.say("");
            return Ok(None);
        }
        match line.trim().to_lowercase().as_str() {
            "y" | "yes" => return Ok(Some(true)),
            "n" | "no" | "not now" => return Ok(Some(false)),
            _ => {}
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answers(typed: &str) -> Option<Answers> {
        let mut output = Output::to(Box::new(std::io::sink()), Box::new(std::io::sink()));
        asked(&mut typed.as_bytes(), &mut output).unwrap()
    }

    #[test]
    fn not_now_is_an_answer_and_so_is_none() {
        for typed in ["n\n", "not now\n", "", "what?\nhm\nno idea\ny\n"] {
            assert_eq!(answers(typed), None, "{typed:?}");
        }
    }

    #[test]
    fn the_questions_are_taken_down() {
        let all = Answers { attended: true, hard_surface: Some(true), bulging: Some(false) };
        assert_eq!(answers("Y\nyes\nNo\n"), Some(all));
        assert_eq!(
            answers("y\nn\ny\n"),
            Some(Answers { hard_surface: Some(false), bulging: Some(true), ..all })
        );
        assert_eq!(answers("y\n"), Some(Answers { hard_surface: None, bulging: None, ..all }));
    }
}
