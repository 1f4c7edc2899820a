//! What the check and its page share.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use maud::Markup;

use super::live::Seen;
use crate::stop::{StopFlag, StopReason};

/// What is told before the start.
#[derive(Debug, Clone)]
pub struct Ready {
    /// Model of this laptop.
    pub model: String,
    /// What will happen, line by line.
    pub what_happens: Vec<String>,
    /// What will be sent, and where.
    pub what_is_sent: Vec<String>,
}

/// The person's start, with what only a person can tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Start {
    /// Stands on a hard flat surface.
    pub hard_surface: Option<bool>,
    /// Battery or case bulges, or it smells.
    pub bulging: Option<bool>,
}

/// What was answered to the question whether to start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Answer {
    Start(Start),
    NotNow,
}

/// Where the check is.
#[derive(Debug)]
pub(super) enum Stage {
    Ready,
    Running,
    /// Nothing was loaded.
    NotNow,
    Done {
        kept: String,
        body: Markup,
        closed: bool,
    },
}

#[derive(Debug)]
pub(super) struct State {
    pub(super) ready: Ready,
    pub(super) stage: Stage,
    pub(super) answer: Option<Answer>,
    pub(super) seen: Seen,
}

/// Shared by the check's own thread and the page's.
#[derive(Debug, Clone)]
pub(super) struct Session {
    state: Arc<Mutex<State>>,
    stop: StopFlag,
}

impl Session {
    pub(super) fn new(ready: Ready, stop: StopFlag) -> Self {
        let state = State { ready, stage: Stage::Ready, answer: None, seen: Seen::default() };
        Self { state: Arc::new(Mutex::new(state)), stop }
    }

    pub(super) fn lock(&self) -> MutexGuard<'_, State> {
        // Every change is whole: a panic elsewhere leaves nothing half done.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The person's answer; only the first one counts.
    pub(super) fn answer(&self, answer: Answer) {
        let mut state = self.lock();
        if matches!(state.stage, Stage::Ready) && state.answer.is_none() {
            state.answer = Some(answer);
            state.stage = match answer {
                Answer::Start(_) => Stage::Running,
                Answer::NotNow => Stage::NotNow,
            };
        }
    }

    pub(super) fn started(&self) -> Option<Answer> {
        self.lock().answer
    }

    pub(super) fn refuse_start(&self) {
        self.answer(Answer::NotNow);
    }

    /// Ends the load: the check looks at the flag many times a second.
    pub(super) fn stop(&self) {
        if matches!(self.lock().stage, Stage::Running) {
            self.stop.raise(StopReason::Interrupt);
        }
    }

    pub(super) fn is_stopping(&self) -> bool {
        self.stop.raised().is_some()
    }

    pub(super) fn finish(&self, kept: String, body: Markup) {
        self.lock().stage = Stage::Done { kept, body, closed: false };
    }

    pub(super) fn close(&self) {
        if let Stage::Done { closed, .. } = &mut self.lock().stage {
            *closed = true;
        }
    }

    pub(super) fn is_closed(&self) -> bool {
        matches!(self.lock().stage, Stage::Done { closed: true, .. })
    }
}
