//! `windrow-hub visit`: log what was done at a laptop, correct an entry, list them.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use chrono::NaiveDate;
use serde::Serialize;
use windrow_model::trace::fleet::ServiceAction;

use super::laptop::{no_laptop, one_laptop};
use super::{Outcome, Setting, block_on, print};
use crate::access::Role;
use crate::costs::Costs;
use crate::database;
use crate::effects::learned::ACTIONS;
use crate::effects::{Effects, VisitEffect};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::output::Output;
use crate::pages::fleet::name_of;
use crate::pages::words;
use crate::store::Store;
use crate::store::facts::{Actor, FactStore, NewVisit, Visit, VisitLogged};
use crate::{facts, judgement, visits};

/// Arguments of `visit`.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  windrow-hub visit log A-1042 --action clean --action paste --minutes 45 --found 'felt in the fins'
  windrow-hub visit log A-1042 --action clean --minutes 30 --correct 7
  windrow-hub visit log A-1042 --withdraw 7
  windrow-hub visit list A-1042
  windrow-hub visit learned

A laptop is named by its asset tag, its device id, or the id's first 8 characters or more. Days are UTC days. Entries are \
never edited: a correction is another entry, which counts in place of the first.")]
pub(super) struct Args {
    #[command(subcommand)]
    deed: Deed,
}

#[derive(Debug, clap::Subcommand)]
enum Deed {
    /// Log a visit, or correct one
    Log(LogArgs),
    /// Show entries, corrected ones too, and whether each visit helped
    List {
        /// Only this laptop: asset tag or device id
        laptop: Option<String>,
    },
    /// What the visits teach: how often each action mends, and how long it takes
    Learned {
        /// File of costs, whose numbers are the beginning
        #[arg(long, value_name = "FILE")]
        costs: Option<PathBuf>,
    },
}

#[derive(Debug, clap::Args)]
struct LogArgs {
    /// Asset tag or device id
    laptop: String,
    /// What was done: clean, fan, paste, or none; may be given several times
    #[arg(long, value_parser = action, required_unless_present = "withdraw", conflicts_with = "withdraw")]
    action: Vec<ServiceAction>,
    /// Minutes that it took
    #[arg(long, value_parser = clap::value_parser!(u32).range(0..=i64::from(visits::MAX_MINUTES)))]
    minutes: Option<u32>,
    /// What was found
    #[arg(long, default_value = "", value_parser = visits::line)]
    found: String,
    /// Parts that it took
    #[arg(long, default_value = "", value_parser = visits::line)]
    parts: String,
    /// Anything else
    #[arg(long, default_value = "", value_parser = visits::text)]
    note: String,
    /// The day [default: today]
    #[arg(long, value_name = "YYYY-MM-DD")]
    on: Option<NaiveDate>,
    /// This entry replaces the one of that number
    #[arg(long, value_name = "NUMBER", conflicts_with = "withdraw")]
    correct: Option<i64>,
    /// The visit of that number never took place
    #[arg(long, value_name = "NUMBER")]
    withdraw: Option<i64>,
}

#[derive(Serialize)]
struct Shown {
    visit: i64,
    /// May be empty.
    asset_tag: String,
    device_id: String,
    visited_on: String,
    actions: Vec<&'static str>,
    minutes: Option<u32>,
    is_erased: bool,
    found: String,
    parts: String,
    note: String,
    by_role: String,
    corrects: Option<i64>,
    /// `counts`, `corrected` or `withdrawn`.
    state: &'static str,
    /// What it did, by the checks before and after; absent for an entry that doesn't count.
    effect: Option<VisitEffect>,
}

pub(super) fn run(setting: &Setting, args: &Args, output: &mut Output) -> Outcome {
    match &args.deed {
        Deed::Log(args) => log(setting, args, output),
        Deed::List { laptop } => list(setting, laptop.as_deref(), output),
        Deed::Learned { costs } => learned(setting, costs.as_deref(), output),
    }
}

fn log(setting: &Setting, args: &LogArgs, output: &mut Output) -> Outcome {
    let today = setting.clock.now().date_naive();
    let visited_on = args.on.unwrap_or(today);
    visits::check_day(visited_on, today)
        .map_err(|why| Failure::new(why).remedy("log a visit once it took place: `--on 2026-01-31`"))?;
    if args.action.contains(&ServiceAction::None) && args.action.iter().any(|a| *a != ServiceAction::None) {
        return Err(Failure::new(
            "`none` says that nothing was done, and something else was given beside it",
        )
        .remedy("leave `--action none` out"));
    }
    let database = setting.database()?;
    let now_ms = setting.clock.now_ms();
    let (device_id, logged) = block_on(async {
        let store = database::open(&database).await?;
        let device_id = one_laptop(&store, &args.laptop).await?;
        let actions = if args.withdraw.is_some() { vec![ServiceAction::None] } else { args.action.clone() };
        let visit = NewVisit {
            device_id: device_id.clone(),
            visited_on,
            actions,
            minutes: args.minutes,
            found: args.found.clone(),
            parts: args.parts.clone(),
            note: args.note.clone(),
            corrects: args.correct.or(args.withdraw),
            is_withdrawn: args.withdraw.is_some(),
            actor: Actor { role: Role::Admin, grant_id: None },
            now_ms,
        };
        let logged = store.visit_log(visit).await?;
        store.store_close().await;
        Ok((device_id, logged))
    })?;
    let visit_id = logged_or_failure(logged, args)?;
    let said = if setting.json {
        serde_json::json!({"visit": visit_id, "device_id": device_id, "visited_on": visited_on.to_string()})
            .to_string()
    } else {
        format!("logged as visit {visit_id} of `{device_id}` on {visited_on}")
    };
    print(output, &said)?;
    Ok(Exit::Done)
}

fn logged_or_failure(logged: VisitLogged, args: &LogArgs) -> Result<i64, Failure> {
    let see = "`windrow-hub visit list` shows the entries";
    match logged {
        VisitLogged::Logged { visit_id } => Ok(visit_id),
        VisitLogged::Duplicate { visit_id } => {
            Err(Failure::new(format!("this laptop, day and actions are logged already, as visit {visit_id}"))
                .remedy(format!("if that entry is wrong, correct it with `--correct {visit_id}`")))
        }
        VisitLogged::NoSuchLaptop => Err(no_laptop(&args.laptop)),
        VisitLogged::NoSuchVisit => {
            let number = args.correct.or(args.withdraw).unwrap_or_default();
            Err(Failure::new(format!("`{}` has no visit {number}", args.laptop)).remedy(see))
        }
        VisitLogged::CorrectedBefore { visit_id } => {
            Err(Failure::new(format!("that entry was corrected already, by visit {visit_id}"))
                .remedy(format!("correct visit {visit_id} instead; {see}")))
        }
    }
}

fn list(setting: &Setting, laptop: Option<&str>, output: &mut Output) -> Outcome {
    let database = setting.database()?;
    let (visits, effects, tags) = block_on(async {
        let store = database::open(&database).await?;
        let device_id = match laptop {
            Some(key) => Some(one_laptop(&store, key).await?),
            None => None,
        };
        let visits = facts::visits(&store, device_id.as_deref()).await?;
        let tags: HashMap<String, String> =
            store.laptop_list().await?.into_iter().map(|l| (l.device_id, l.asset_tag)).collect();
        let effects = if visits.is_empty() {
            Effects::default()
        } else {
            let now_ms = setting.clock.now_ms();
            judgement::judged_fleet(&store, &setting.clock, now_ms, &Costs::default()).await?.effects
        };
        store.store_close().await;
        Ok((visits, effects, tags))
    })?;
    let shown: Vec<Shown> = visits.into_iter().map(|visit| shown(visit, &effects, &tags)).collect();
    if setting.json {
        let json = serde_json::to_string(&shown).map_err(|e| Failure::new(e.to_string()))?;
        print(output, &json)?;
    } else if shown.is_empty() {
        output.say("no visit is logged");
    } else {
        print(output, &table(&shown))?;
    }
    Ok(Exit::Done)
}

fn shown(visit: Visit, effects: &Effects, tags: &HashMap<String, String>) -> Shown {
    let effect = visit.counts().then(|| effects.on(&visit.device_id, visit.visited_on).cloned()).flatten();
    let state = match (visit.corrected_by, visit.is_withdrawn) {
        (Some(_), _) => "corrected",
        (None, true) => "withdrawn",
        (None, false) => "counts",
    };
    Shown {
        visit: visit.visit_id,
        asset_tag: tags.get(&visit.device_id).cloned().unwrap_or_default(),
        device_id: visit.device_id,
        visited_on: visit.visited_on.to_string(),
        actions: visit.actions.iter().map(|a| a.name()).collect(),
        minutes: visit.minutes,
        is_erased: visit.is_erased,
        found: visit.found,
        parts: visit.parts,
        note: visit.note,
        by_role: visit.by_role,
        corrects: visit.corrects,
        state,
        effect,
    }
}

fn table(shown: &[Shown]) -> String {
    let mut builder = tabled::builder::Builder::default();
    builder.push_record(["number", "laptop", "day", "done", "minutes", "found", "state", "did it help"]);
    for visit in shown {
        builder.push_record([
            visit.visit.to_string(),
            name_of(&visit.asset_tag, &visit.device_id).to_owned(),
            visit.visited_on.clone(),
            visit.actions.join(" "),
            visit.minutes.map(|m| m.to_string()).unwrap_or_default(),
            if visit.is_erased { "(erased)".to_owned() } else { visit.found.clone() },
            visit.state.to_owned(),
            visit.effect.as_ref().map(effect_words).unwrap_or_default(),
        ]);
    }
    let mut table = builder.build();
    table.with(tabled::settings::Style::sharp());
    table.to_string()
}

fn effect_words(effect: &VisitEffect) -> String {
    match (effect.why, effect.confidence) {
        (Some("nothing was done"), _) => String::new(),
        (Some(why), _) => format!("cannot tell: {why}"),
        (None, Some(confidence)) => format!("{} ({})", effect.verdict.words(), words::sure(confidence)),
        (None, None) => effect.verdict.words().to_owned(),
    }
}

/// What the log teaches, beside what the costs assume.
fn learned(setting: &Setting, costs: Option<&Path>, output: &mut Output) -> Outcome {
    let costs = costs.map_or_else(|| Ok(Costs::default()), crate::costs::read)?;
    let database = setting.database()?;
    let lessons = block_on(async {
        let store = database::open(&database).await?;
        let now_ms = setting.clock.now_ms();
        let lessons = judgement::judged_fleet(&store, &setting.clock, now_ms, &costs).await?.lessons;
        store.store_close().await;
        Ok(lessons)
    })?;
    if setting.json {
        let json = serde_json::to_string(&lessons).map_err(|e| Failure::new(e.to_string()))?;
        print(output, &json)?;
        return Ok(Exit::Done);
    }
    let mut builder = tabled::builder::Builder::default();
    builder.push_record(["action", "mends", "90 % interval", "assumed", "visits", "minutes", "assumed"]);
    for ((action, mends), minutes) in ACTIONS.into_iter().zip(lessons.mends).zip(lessons.minutes.actions) {
        let assumed = costs.action(action);
        let number = |n: Option<f64>, digits: usize| n.map(|n| format!("{n:.digits$}")).unwrap_or_default();
        builder.push_record([
            action.name().to_owned(),
            format!("{:.2}", mends.mean),
            format!("{:.2} to {:.2}", mends.low, mends.high),
            number(assumed.map(|a| a.mends), 2),
            mends.n_visits.to_string(),
            format!("{minutes:.0}"),
            number(assumed.map(|a| a.minutes), 0),
        ]);
    }
    let mut table = builder.build();
    table.with(tabled::settings::Style::sharp());
    print(output, &table.to_string())?;
    output.say(&format!(
        "every visit: {:.0} minutes beside its actions (assumed {:.0}), from {} visits with logged minutes",
        lessons.minutes.visit, costs.visit_minutes, lessons.minutes.n_visits
    ));
    Ok(Exit::Done)
}

fn action(name: &str) -> Result<ServiceAction, String> {
    ServiceAction::from_name(name).ok_or_else(|| "give clean, fan, paste or none".to_owned())
}
