//! Reads a fleet folder (`manifest.csv`, optionally `services.csv`, and its traces), judges it and writes the ranking.
#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a program that prints its result")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Instant;

use anyhow::{Context, Result};
use chrono::{DateTime, Datelike, Utc};
use rayon::prelude::*;
use windrow_model::channel::{CHANNELS, Channel};
use windrow_model::condition::ambient::{AmbientCase, rooms};
use windrow_model::estimate::joint_model::fit_model;
use windrow_model::estimate::network_drive::Drive;
use windrow_model::trace::Trace;

#[derive(Debug, serde::Deserialize)]
struct Row {
    device_id: String,
    model: String,
    site: String,
    tested_at: DateTime<Utc>,
    ambient_c: Option<f64>,
    trace: String,
}

fn main() -> Result<()> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let folder = PathBuf::from(args.first().context("usage: judge_fleet FOLDER OUT.csv")?);
    let started = Instant::now();
    let mut rows: Vec<Row> =
        csv::Reader::from_path(folder.join("manifest.csv"))?.deserialize().collect::<Result<_, _>>()?;
    if let Some(only) = args.get(2) {
        rows.retain(|r| only.split(',').any(|m| r.model == m));
    }
    let drives: Vec<Option<Drive>> = rows
        .par_iter()
        .map(|r| read_trace(&folder.join(&r.trace)).ok().and_then(|t| Drive::from_trace(&t)))
        .collect();
    eprintln!(
        "read {} runs in {:?}, {} unusable",
        rows.len(),
        started.elapsed(),
        drives.iter().filter(|d| d.is_none()).count()
    );
    let index = |f: &dyn Fn(&Row) -> &str| {
        let mut ids: BTreeMap<String, usize> = BTreeMap::new();
        rows.iter()
            .map(|r| {
                let n = ids.len();
                *ids.entry(f(r).to_owned()).or_insert(n)
            })
            .collect::<Vec<_>>()
    };
    let (models, sites) = (index(&|r| &r.model), index(&|r| &r.site));
    let usable: Vec<usize> = (0..rows.len()).filter(|&i| drives[i].is_some()).collect();
    let cases: Vec<AmbientCase<'_>> = usable
        .iter()
        .map(|&i| AmbientCase {
            model: models[i],
            site: sites[i],
            day_of_year: f64::from(rows[i].tested_at.ordinal()),
            facts: &drives[i].as_ref().expect("usable").facts,
            reported_c: rows[i].ambient_c,
        })
        .collect();
    let room = rooms(&cases);
    let mut out = csv::Writer::from_path(args.get(1).context("OUT.csv")?)?;
    out.write_record([
        "trace",
        "la",
        "la_sd",
        "lr",
        "lr_sd",
        "ta",
        "ta_prior",
        "ta_prior_sd",
        "x",
        "lk",
        "rms",
        "cost",
    ])?;
    for m in 0..=*models.iter().max().unwrap_or(&0) {
        let at: Vec<usize> = (0..usable.len()).filter(|&k| models[usable[k]] == m).collect();
        if at.is_empty() {
            continue;
        }
        let mut ds: Vec<Drive> = at.iter().map(|&k| drives[usable[k]].clone().expect("usable")).collect();
        let rm: Vec<_> = at.iter().map(|&k| room[k]).collect();
        let t = Instant::now();
        let fit = fit_model(&mut ds, &rm, &|n, f| (0..n).into_par_iter().map(f).collect());
        let rms = fit.runs.iter().map(|r| r.rms_k).sum::<f64>() / fit.runs.len() as f64;
        println!(
            "{:20} runs {:4} it {:3} {:.2?} rms {:.2} shared {:.2?} q {:.2} curve {:?}",
            rows[usable[at[0]]].model,
            ds.len(),
            fit.iterations,
            t.elapsed(),
            rms,
            fit.standing.shared.0.iter().map(|v| v.exp()).collect::<Vec<_>>(),
            fit.standing.shared.0[11],
            fit.standing.curve
        );
        for (j, r) in fit.runs.iter().enumerate() {
            let k = at[j];
            let mut rec = vec![rows[usable[k]].trace.replace("traces/", "")];
            rec.extend(
                [
                    r.pars[0],
                    r.sd[0],
                    r.pars[1],
                    r.sd[1],
                    r.pars[2],
                    room[k].value_c,
                    room[k].sd_k,
                    r.pars[3],
                    r.pars[4],
                    r.rms_k,
                    r.cost,
                ]
                .map(|v| format!("{v:.4}")),
            );
            out.write_record(&rec)?;
        }
    }
    out.flush()?;
    eprintln!("all in {:?}", started.elapsed());
    Ok(())
}

fn read_trace(path: &Path) -> Result<Trace> {
    let text = std::fs::read_to_string(path)?;
    let mut lines = text.lines();
    let head: Vec<&str> = lines.next().context("no header")?.split(',').collect();
    let mut cols: Vec<Vec<f64>> = vec![Vec::new(); head.len()];
    for line in lines {
        for (c, cell) in cols.iter_mut().zip(line.split(',')) {
            c.push(cell.parse().unwrap_or(f64::NAN));
        }
    }
    let mut t = Trace::empty();
    let at = head.iter().position(|h| *h == "time_s").context("time_s")?;
    t.time_s = cols[at].clone();
    for s in &CHANNELS {
        if let Some(k) = head.iter().position(|h| *h == s.column) {
            if s.channel == Channel::CpuTempC || cols[k].iter().any(|v| v.is_finite()) {
                t.set_column(s.channel, cols[k].clone());
            }
        }
    }
    Ok(t)
}
