//! A fleet of recorded runs from elsewhere: a manifest, its trace files, and the services that were done.
//!
//! Imported runs are unsigned and have no chain; they are shown as imported and never mixed with others. Their ledger
//! leaf says what was imported and when, not that a laptop stands for it. Batches are whole: an import that is broken off goes on where it was when it is run again, and a second
//! import changes nothing, since a run's name is the digest of laptop, time and trace.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use windrow_model::analysis::find_phases;
use windrow_model::record::wire::WireTrace;
use windrow_model::record::{Digest, canonical};
use windrow_model::trace::fleet::{self, FleetFile, ManifestRow, ServiceRow};
use windrow_model::trace::{Trace, file as trace_file};

use crate::failure::Failure;
use crate::ingest;
use crate::measure;
use crate::store::{EpochMs, ImportCount, RunFacts, Service, Store};

/// Runs read and stored in one go: some megabytes of traces at a time.
const BATCH: usize = 256;
/// First bytes of what an imported run's digest hashes.
const DIGEST_PREFIX: &[u8] = b"windrow-import/1\n";
/// Loads shorter than this are of the quick kind: between the 60 s and the 180 s of the two protocols.
const QUICK_BELOW_S: f64 = 120.0;
/// An imported run's load program isn't known.
const UNKNOWN_LOAD_MIX: &str = "unknown";

/// A manifest that was read.
#[derive(Debug)]
pub struct Manifest {
    folder: PathBuf,
    /// Its rows and what is wrong with others.
    pub file: FleetFile<ManifestRow>,
}

/// A run that was left out, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftOut {
    /// Line of the manifest.
    pub line: u64,
    /// Trace file as the manifest names it.
    pub trace: String,
    /// Why.
    pub why: String,
}

/// What an import did.
#[derive(Debug, Default)]
pub struct Imported {
    /// Runs.
    pub runs: ImportCount,
    /// Runs that were left out.
    pub left_out: Vec<LeftOut>,
}

impl Manifest {
    /// Reads a manifest.
    ///
    /// # Errors
    /// If the file cannot be read, is too large, or its header isn't a manifest's.
    pub fn read(path: &Path) -> Result<Self, Failure> {
        let file = fleet::read_manifest(&read_limited(path, fleet::MAX_BYTES)?);
        refuse_without_rows(path, &file, "device_id,model,site,tested_at,ambient_c,on_ac,trace")?;
        let folder = path.parent().unwrap_or(Path::new("")).to_owned();
        Ok(Self { folder, file })
    }

    /// Reads the trace files and stores the runs; `progress` is told how many rows are done.
    ///
    /// # Errors
    /// If the store fails; whole batches before that are stored.
    pub async fn import<S: Store>(
        &self,
        store: &S,
        now_ms: EpochMs,
        mut progress: impl FnMut(usize),
    ) -> Result<Imported, Failure> {
        let mut imported = Imported::default();
        for (batch_idx, batch) in self.file.rows.chunks(BATCH).enumerate() {
            let read: Vec<_> = batch.par_iter().map(|row| self.run(row, now_ms)).collect();
            let mut runs = Vec::with_capacity(read.len());
            for outcome in read {
                match outcome {
                    Ok(run) => runs.push(run),
                    Err(left_out) => imported.left_out.push(left_out),
                }
            }
            let count = store.run_import_batch(runs).await?;
            imported.runs.n_new += count.n_new;
            imported.runs.n_known += count.n_known;
            progress(batch_idx * BATCH + batch.len());
        }
        Ok(imported)
    }

    fn run(&self, row: &ManifestRow, now_ms: EpochMs) -> Result<RunFacts, LeftOut> {
        let left_out = |why: String| LeftOut { line: row.line, trace: row.trace.clone(), why };
        let bytes = read_limited(&self.folder.join(&row.trace), trace_file::MAX_BYTES)
            .map_err(|e| left_out(e.to_string()))?;
        let trace = trace_file::read(&bytes).map_err(|e| left_out(e.to_string()))?.trace;
        facts(row, &trace, now_ms).map_err(|e| left_out(e.to_string()))
    }
}

/// Reads a service file.
///
/// # Errors
/// As [`Manifest::read`].
pub fn read_services(path: &Path) -> Result<FleetFile<ServiceRow>, Failure> {
    let file = fleet::read_services(&read_limited(path, fleet::MAX_BYTES)?);
    refuse_without_rows(path, &file, "device_id,date,action")?;
    Ok(file)
}

/// Stores services.
///
/// # Errors
/// If the store fails.
pub async fn import_services<S: Store>(
    store: &S,
    rows: &[ServiceRow],
    now_ms: EpochMs,
) -> Result<ImportCount, Failure> {
    let mut total = ImportCount::default();
    for batch in rows.chunks(BATCH) {
        let services = batch.iter().map(|row| Service {
            device_id: row.device_id.clone(),
            serviced_on: row.date,
            action: row.action,
            logged: None,
        });
        let count = store.service_import_batch(services.collect(), now_ms).await?;
        total.n_new += count.n_new;
        total.n_known += count.n_known;
    }
    Ok(total)
}

/// Nothing but complaints: the whole file is the mistake.
fn refuse_without_rows<T>(path: &Path, file: &FleetFile<T>, header: &str) -> Result<(), Failure> {
    if file.rows.is_empty() && !file.complaints.is_empty() {
        return Err(Failure::at("import", path, &file.complaints)
            .remedy(format!("its first line must be `{header}`; `windrow-hub import --help` says more")));
    }
    Ok(())
}

fn read_limited(path: &Path, max_bytes: usize) -> Result<Vec<u8>, Failure> {
    let unreadable = |why: String| {
        Failure::at("read", path, why).remedy("check the path and that the file can be read by you")
    };
    let file = File::open(path).map_err(|e| unreadable(e.to_string()))?;
    let mut bytes = Vec::new();
    file.take(max_bytes as u64 + 1).read_to_end(&mut bytes).map_err(|e| unreadable(e.to_string()))?;
    if bytes.len() > max_bytes {
        return Err(Failure::at("read", path, format!("it is larger than {max_bytes} bytes"))
            .remedy("divide it into several files"));
    }
    Ok(bytes)
}

fn facts(
    row: &ManifestRow,
    trace: &Trace,
    now_ms: EpochMs,
) -> Result<RunFacts, windrow_model::record::Refusal> {
    let wire = trace.to_wire()?;
    let trace_json = canonical::to_bytes(&wire)?;
    // As it is stored, so that whoever reads it again is told the same.
    let told = told(&wire, &Trace::from_wire(&wire)?);
    Ok(RunFacts {
        device_id: row.device_id.clone(),
        digest: digest_of(&row.device_id, row.tested_at.timestamp_millis(), &trace_json),
        provenance: "imported",
        model_key: row.model.clone(),
        model_name: row.model.clone(),
        firmware: String::new(),
        site: row.site.clone(),
        load_mix: told.load_mix,
        protocol: told.protocol,
        outcome: told.outcome,
        channels: told.channels,
        ambient_c: row.ambient_c,
        ambient_sd_k: row.ambient_c.map(|_| measure::TOLD_AMBIENT_SD_K),
        on_ac: row.on_ac,
        tested_at_ms: row.tested_at.timestamp_millis(),
        received_at_ms: now_ms,
        trace_zstd: ingest::pack(&trace_json),
    })
}

/// What an imported run's trace tells of it.
pub(crate) struct ToldByTrace {
    pub(crate) load_mix: String,
    pub(crate) protocol: String,
    pub(crate) outcome: String,
    pub(crate) channels: String,
}

fn told(wire: &WireTrace, trace: &Trace) -> ToldByTrace {
    let is_quick = find_phases(trace).load_length_s() < QUICK_BELOW_S;
    ToldByTrace {
        load_mix: UNKNOWN_LOAD_MIX.to_owned(),
        protocol: if is_quick { "quick" } else { "standard" }.to_owned(),
        outcome: "complete".to_owned(),
        channels: ingest::channels_read(wire),
    }
}

/// The same of a stored trace.
///
/// # Errors
/// What is wrong with the trace, in words.
pub(crate) fn told_by(trace_json: &[u8]) -> Result<ToldByTrace, String> {
    let wire: WireTrace = serde_json::from_slice(trace_json).map_err(|e| e.to_string())?;
    let trace = Trace::from_wire(&wire).map_err(|e| e.to_string())?;
    Ok(told(&wire, &trace))
}

/// The name of an imported run: the same laptop, time and trace is the same run, whoever else has that trace.
pub(crate) fn digest_of(device_id: &str, tested_at_ms: EpochMs, trace_json: &[u8]) -> Digest {
    let (at, trace_digest) = (tested_at_ms.to_be_bytes(), Digest::of(trace_json));
    Digest::of_parts(&[DIGEST_PREFIX, device_id.as_bytes(), b"\n", &at, &trace_digest.0])
}

#[cfg(test)]
mod tests {
    use windrow_model::emulate::{RunPlan, model_of, record_run};

    use super::*;
    use crate::store::sql::SqlStore;
    use crate::testing::START_MS;

    #[tokio::test]
    async fn a_fleet_is_imported_once_and_what_is_bad_is_named() {
        let folder = tempfile::TempDir::new().unwrap();
        let at = |name: &str| folder.path().join(name);
        let trace = record_run(&model_of("Tamsel 14").unwrap(), &RunPlan::default());
        std::fs::write(at("good.csv"), trace_file::write(&trace)).unwrap();
        std::fs::write(at("bad.csv"), "time_s,load_pct,cpu_temp_c\n0,0,40\n0,0,41\n").unwrap();
        let manifest = "device_id,model,site,tested_at,ambient_c,on_ac,trace\n\
            A-1,Tamsel 14,north,2026-01-30T08:00:00Z,21.5,true,good.csv\n\
            A-2,Tamsel 14,north,2026-01-30T08:00:00Z,,,good.csv\n\
            A-3,Tamsel 14,north,2026-01-30T08:00:00Z,,,bad.csv\n\
            A-4,Tamsel 14,north,2026-01-30T08:00:00Z,,,absent.csv\n\
            A-5,Tamsel 14,north,yesterday,,,good.csv\n\
            A-6,Tamsel 14,north,2026-01-30T08:00:00Z,,,../good.csv\n";
        std::fs::write(at("manifest.csv"), manifest).unwrap();
        let manifest = Manifest::read(&at("manifest.csv")).unwrap();
        let complaints = manifest.file.complaints.to_string();
        assert!(complaints.contains("line 6: column `tested_at`"), "{complaints}");
        assert!(complaints.contains("line 7: column `trace`"), "{complaints}");

        let store = SqlStore::open_file(&at("hub.sqlite")).await.unwrap();
        for (n_new, n_known) in [(2, 0), (0, 2)] {
            let imported = manifest.import(&store, START_MS, |_| ()).await.unwrap();
            assert_eq!(imported.runs, ImportCount { n_new, n_known });
            let left_out: Vec<(u64, &str)> =
                imported.left_out.iter().map(|l| (l.line, l.trace.as_str())).collect();
            assert_eq!(left_out, [(4, "bad.csv"), (5, "absent.csv")]);
            assert!(imported.left_out[0].why.contains("line 3: column `time_s`"), "{imported:?}");
        }
        let runs = store.run_list_measured(windrow_model::METHOD_VERSION).await.unwrap();
        assert!(runs.iter().all(|r| r.provenance == "imported" && r.protocol == "standard"), "{runs:?}");
        store.store_close().await;
    }

    #[test]
    fn a_file_that_is_no_manifest_is_refused_with_its_path() {
        let folder = tempfile::TempDir::new().unwrap();
        let path = folder.path().join("notes.csv");
        std::fs::write(&path, "a,b\n1,2\n").unwrap();
        let refused = Manifest::read(&path).unwrap_err();
        assert!(refused.to_string().contains("notes.csv") && refused.advice().is_some(), "{refused}");
    }
}
