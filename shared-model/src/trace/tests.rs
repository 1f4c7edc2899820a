//! Trace files and fleet files: what is read, what is complained about, where.

use proptest::prelude::*;
use serde_json::Value;

use super::fleet::{ServiceAction, read_manifest, read_services};
use super::table::number;
use super::*;

const GOOD: &str = "\
time_s,load_pct,cpu_temp_c,fan1_rpm,phase\r
0,0,41.25,0,settle\r
0.25,100,,2150,load\r
0.5,0,55.5,,recovery\r
";

/// The complaints about a trace file, one a line.
#[track_caller]
fn complaints(text: &str) -> String {
    file::read(text.as_bytes()).expect_err("complaints").to_string()
}

#[test]
fn a_file_says_what_was_read_and_blank_is_not_readable() {
    let read = file::read(GOOD.as_bytes()).expect("a good file");
    assert_eq!(read.dropped, []);
    assert_eq!(read.trace.time_s, [0.0, 0.25, 0.5]);
    assert_eq!(read.trace.phase, Some(vec![Phase::Settle, Phase::Load, Phase::Recovery]));
    let cpu = read.trace.column(Channel::CpuTempC).expect("a column");
    assert_eq!((cpu[0], cpu[2]), (41.25, 55.5));
    assert!(cpu[1].is_nan());
    assert_eq!(read.trace.column(Channel::Fan2Rpm), None);
    assert_eq!(file::write(&read.trace), GOOD.as_bytes());
}

#[test]
fn columns_may_stand_in_any_order_and_lines_end_either_way() {
    let text = "\u{feff}cpu_temp_c,\"time_s\",load_pct\n\"40\",-1.5,0\n41,0,1e2";
    let read = file::read(text.as_bytes()).expect("a good file").trace;
    assert_eq!(read.time_s, [-1.5, 0.0]);
    assert_eq!(read.column(Channel::LoadPct), Some(&[0.0, 100.0][..]));
    assert_eq!(read.phase, None);
}

#[test]
fn a_header_alone_is_a_trace_of_no_samples() {
    let read = file::read(b"time_s,load_pct,cpu_temp_c\r\n").expect("a good file").trace;
    assert_eq!(read.n_samples(), 0);
}

#[test]
fn each_complaint_names_line_and_column() {
    let header = "time_s,load_pct,cpu_temp_c";
    let cases = [
        ("", "no header row; the first line names the columns"),
        ("time_s,load_pct\n0,0\n", "line 1: column `cpu_temp_c`: the column is missing from the header"),
        (&format!("{header},time_s\n"), "line 1: column `time_s`: the column is named twice in the header"),
        (&format!("{header}\n0,0,40\n1,0\n"), "line 3: 2 cells under a header of 3"),
        (&format!("{header}\n0,0,40\n1,0,4O\n"), "line 3: column `cpu_temp_c`: `4O` is not a number"),
        (&format!("{header}\r\n0,0,40\r\n1,0,nan\r\n"), "line 3: column `cpu_temp_c`: `nan` is not a number"),
        (&format!("{header}\n\n\n0,inf,40\n"), "line 4: column `load_pct`: `inf` is not a number"),
        (&format!("{header}\n,0,40\n"), "line 2: column `time_s`: blank"),
        (&format!("{header}\n1,0, 40\n"), "line 2: column `cpu_temp_c`: ` 40` is not a number"),
        (
            &format!("{header}\n0,0,40\n0,0,40\n"),
            "line 3: column `time_s`: `0` is not after the time before it, `0`",
        ),
        (
            &format!("{header}\n1700000000,0,40\n"),
            "line 2: column `time_s`: `1700000000` is outside -604800 to 604800",
        ),
        (
            &format!("{header},phase\n0,0,40,load\n1,0,40,settle\n"),
            "line 3: column `phase`: `settle` after `load`; the order is settle, load, recovery, each once",
        ),
        (
            &format!("{header},phase\n0,0,40,Load\n1,0,40,\n"),
            "line 2: column `phase`: `Load` is not one of settle, load, recovery\nline 3: column `phase`: blank",
        ),
    ];
    for (text, expected) in cases {
        assert_eq!(complaints(text), expected, "{text:?}");
    }
    let unknown = complaints(&format!("{header},gpu_temp_c\n"));
    assert!(
        unknown.starts_with("line 1: column `gpu_temp_c`: no such column; known are time_s,"),
        "{unknown}"
    );
}

#[test]
fn complaints_are_gathered_up_to_a_limit_and_counted_beyond() {
    let mut text = "time_s,load_pct,cpu_temp_c\n".to_owned();
    text.extend((0..100).map(|idx| format!("{idx},0,x\n")));
    let complaints = file::read(text.as_bytes()).expect_err("complaints");
    assert_eq!((complaints.first.len(), complaints.n_more), (MAX_COMPLAINTS, 100 - MAX_COMPLAINTS));
    assert_eq!(complaints.first[1].line, 3);
    assert!(complaints.to_string().ends_with("\nand 80 more"), "{complaints}");
}

#[test]
fn too_many_rows_and_bytes_are_refused() {
    let mut text = "time_s,load_pct,cpu_temp_c\n".to_owned();
    text.extend((0..file::MAX_ROWS).map(|idx| format!("{idx}e-3,0,40\n")));
    assert_eq!(file::read(text.as_bytes()).expect("the limit itself").trace.n_samples(), file::MAX_ROWS);
    text.push_str("500,0,40\n");
    assert_eq!(complaints(&text), "line 200002: more than 200000 rows");
    let bytes = vec![b' '; file::MAX_BYTES + 1];
    let complaint = file::read(&bytes).expect_err("too large").to_string();
    assert_eq!(complaint, "33554433 bytes, at most 33554432 are read");
}

#[test]
fn a_lying_sensor_is_noted_and_does_not_fail_the_file() {
    let text = "time_s,load_pct,cpu_temp_c,fan1_rpm,board_temp_c\n0,0,40,65535,-128\n1,0,127,0,30\n2,0,41,65535,30\n";
    let read = file::read(text.as_bytes()).expect("a good file");
    let noted: Vec<_> = read.dropped.iter().map(|d| (d.channel, d.n, d.first_at, d.first_value)).collect();
    let expected = [
        (Channel::CpuTempC, 1, 3, 127.0),
        (Channel::Fan1Rpm, 2, 2, 65_535.0),
        (Channel::BoardTempC, 1, 2, -128.0),
    ];
    assert_eq!(noted, expected);
    let cpu = read.trace.column(Channel::CpuTempC).expect("a column");
    assert!(cpu[1].is_nan());

    let mut in_memory = read.trace.clone();
    in_memory.set_column(Channel::SsdTempC, vec![f64::NAN, 85.0, 200.0]);
    in_memory.to_wire().expect_err("200 °C");
    let dropped = in_memory.drop_implausible();
    assert_eq!(dropped.len(), 1);
    assert_eq!((dropped[0].n, dropped[0].first_at, dropped[0].first_value), (1, 2, 200.0));
    in_memory.to_wire().expect("all plausible now");
}

#[test]
fn the_wire_holds_scaled_integers_and_nulls() {
    let trace = file::read(GOOD.as_bytes()).expect("a good file").trace;
    let wire = trace.to_wire().expect("a good trace");
    assert_eq!(wire.time_ms, [0, 250, 500]);
    assert_eq!(wire.columns["cpu_temp_c"], [Some(41_250), None, Some(55_500)]);
    assert_eq!(wire.columns["load_pct"], [Some(0), Some(10_000), Some(0)]);
    let starts: Vec<_> = wire.phases.iter().map(|p| (p.from_sample, p.phase)).collect();
    assert_eq!(starts, [(0, Phase::Settle), (1, Phase::Load), (2, Phase::Recovery)]);
    let again = Trace::from_wire(&wire).expect("a good trace");
    assert_eq!(file::write(&again), GOOD.as_bytes());

    let mut too_fine = trace.clone();
    too_fine.time_s = vec![0.0, 0.0001, 1.0];
    assert_eq!(too_fine.to_wire().expect_err("one millisecond").field, "trace.time_ms[1]");
    let mut out_of_order = trace;
    out_of_order.phase = Some(vec![Phase::Load, Phase::Settle, Phase::Load]);
    assert_eq!(out_of_order.to_wire().expect_err("order").field, "trace.phases[1]");
}

#[test]
fn rfc_4180_examples_split_as_printed() {
    let examples: Vec<Value> =
        serde_json::from_str(include_str!("../../testdata/formats/rfc4180.json")).expect("JSON");
    assert!(examples.len() >= 9);
    for example in examples {
        let text = example["text"].as_str().expect("a text");
        let mut reader =
            csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text.as_bytes());
        let rows: Vec<Vec<String>> =
            reader.records().map(|r| r.expect("CSV").iter().map(str::to_owned).collect()).collect();
        assert_eq!(serde_json::json!(rows), example["rows"], "{}", example["case"]);
    }
}

#[test]
fn a_manifest_gives_its_good_rows_and_complains_about_the_others() {
    let text = "\
device_id,model,site,tested_at,ambient_c,on_ac,trace
A-1,Fjordbook 14,\"Oslo, north\",2026-01-31T08:15:00+01:00,21.5,true,traces/a1.csv
A-2,Fjordbook 14,,2026-01-31T08:15:00Z,,,traces/a2.csv
,Fjordbook 14,Oslo,2026-01-31T08:15:00Z,21,true,traces/a3.csv
A-4,Fjordbook 14,Oslo,31.1.2026,21,true,traces/a4.csv
A-5,Fjordbook 14,Oslo,2026-01-31T08:15:00Z,294,true,traces/a5.csv
A-6,Fjordbook 14,Oslo,2026-01-31T08:15:00Z,21,yes,traces/a6.csv
A-7,Fjordbook 14,Oslo,2026-01-31T08:15:00Z,21,true,../secret.csv
A-8,Fjordbook 14,Oslo,2026-01-31T08:15:00Z,21,true,/etc/passwd
A-9,Fjordbook 14,Oslo
";
    let manifest = read_manifest(text.as_bytes());
    assert_eq!(manifest.rows.len(), 2);
    assert_eq!(manifest.rows[0].tested_at.to_rfc3339(), "2026-01-31T07:15:00+00:00");
    assert_eq!((manifest.rows[0].ambient_c, manifest.rows[0].on_ac), (Some(21.5), Some(true)));
    assert_eq!(manifest.rows[0].site, "Oslo, north");
    assert_eq!((manifest.rows[1].line, manifest.rows[1].ambient_c, manifest.rows[1].on_ac), (3, None, None));
    let expected = "\
line 4: column `device_id`: blank
line 5: column `tested_at`: `31.1.2026` is not an RFC 3339 time such as `2026-01-31T08:15:00Z`
line 6: column `ambient_c`: `294` is outside -30 to 60
line 7: column `on_ac`: `yes` is not one of true, false
line 8: column `trace`: `../secret.csv` is not a plain path below the manifest's folder
line 9: column `trace`: `/etc/passwd` is not a plain path below the manifest's folder
line 10: 3 cells under a header of 7";
    assert_eq!(manifest.complaints.to_string(), expected);
    let no_header = read_manifest(b"device_id,model\nA,B\n");
    assert_eq!((no_header.rows.len(), no_header.complaints.first.len()), (0, 5));
}

#[test]
fn services_are_read_one_row_an_action() {
    let text = "device_id,date,action\nA-1,2026-01-31,clean\nA-1,2026-01-31,fan\nA-2,2026-02-30,fan\nA-3,2026-02-01,dust\n";
    let services = read_services(text.as_bytes());
    let actions: Vec<_> = services.rows.iter().map(|row| row.action).collect();
    assert_eq!(actions, [ServiceAction::Clean, ServiceAction::Fan]);
    let expected = "\
line 4: column `date`: `2026-02-30` is not a date such as `2026-01-31`
line 5: column `action`: `dust` is not one of clean, fan, paste, none";
    assert_eq!(services.complaints.to_string(), expected);
}

/// A trace as the wire can hold it: values on the channels' grids.
fn traces() -> impl Strategy<Value = Trace> {
    let steps = proptest::collection::vec(1_i64..5_000, 1..40);
    let cell = proptest::option::weighted(0.8, 0.0..=1.0_f64);
    let columns = proptest::collection::vec(proptest::option::of(cell_column(cell)), N_CHANNELS);
    (steps, columns, any::<(u8, u8)>(), any::<bool>()).prop_map(|(steps, columns, cuts, with_phase)| {
        let mut at_ms = -1_000_i64;
        let mut trace = Trace::empty();
        for step in steps {
            at_ms += step;
            trace.time_s.push(at_ms as f64 / 1000.0);
        }
        let n = trace.n_samples();
        let (first, second) = (usize::from(cuts.0) % n, usize::from(cuts.1) % n);
        let phase_of = |idx: usize| match idx {
            _ if idx < first.min(second) => Phase::Settle,
            _ if idx < first.max(second) => Phase::Load,
            _ => Phase::Recovery,
        };
        trace.phase = with_phase.then(|| (0..n).map(phase_of).collect());
        for (s, column) in CHANNELS.iter().zip(columns) {
            let required = matches!(s.channel, Channel::LoadPct | Channel::CpuTempC);
            if let Some(shares) = column.or_else(|| required.then(|| vec![None; 40])) {
                // `+ 0.0`: the wire has one zero.
                let on_grid = |share: f64| {
                    let span = (s.max - s.min).min(1e6);
                    ((s.min + share * span) * s.wire_scale).round() / s.wire_scale + 0.0
                };
                trace.set_column(
                    s.channel,
                    shares.into_iter().take(n).map(|c| c.map_or(f64::NAN, on_grid)).collect(),
                );
            }
        }
        trace
    })
}

fn cell_column(cell: impl Strategy<Value = Option<f64>>) -> impl Strategy<Value = Vec<Option<f64>>> {
    proptest::collection::vec(cell, 40)
}

/// Equal, where NaN equals NaN.
fn same(one: &Trace, other: &Trace) -> bool {
    file::write(one) == file::write(other)
        && one.channels().eq(other.channels())
        && one.phase == other.phase
        && one.time_s == other.time_s
}

proptest! {
    #[test]
    fn a_written_trace_reads_back_the_same(trace in traces()) {
        let read = file::read(&file::write(&trace)).expect("our own file");
        prop_assert!(read.dropped.is_empty());
        prop_assert!(same(&read.trace, &trace));
    }

    #[test]
    fn a_trace_comes_back_from_the_wire_the_same(trace in traces()) {
        let wire = trace.to_wire().expect("a good trace");
        prop_assert!(same(&Trace::from_wire(&wire).expect("our own wire"), &trace));
    }

    #[test]
    fn any_bytes_are_read_without_a_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        let _ = file::read(&bytes);
        let _ = read_manifest(&bytes);
        let _ = read_services(&bytes);
    }

    #[test]
    fn a_damaged_file_is_read_without_a_panic(
        at in 0..GOOD.len(), byte in any::<u8>(), cut in 0..GOOD.len(), insert in any::<bool>(),
    ) {
        let mut bytes = GOOD.as_bytes().to_vec();
        if insert { bytes.insert(at, byte) } else { bytes[at] = byte }
        bytes.truncate(bytes.len().max(cut));
        match file::read(&bytes) {
            Ok(read) => prop_assert!(read.trace.time_s.is_sorted_by(|a, b| a < b)),
            Err(complaints) => prop_assert!(!complaints.is_empty()),
        }
    }

    /// The short way to a number gives the same bits as the standard library.
    #[test]
    fn decimals_are_read_to_the_last_bit(text in "-?[0-9]{1,9}(\\.[0-9]{0,9})?") {
        let expected: f64 = text.parse().expect("a decimal");
        prop_assert_eq!(number(text.as_bytes()).map(f64::to_bits).ok(), Some(expected.to_bits()));
    }
}

#[test]
fn only_decimal_numbers_are_numbers() {
    for text in ["-", ".", "-.", "1.2.3", "0x10", "1_000", "1,5", "NaN", "infinity", "1e999", "é", ""] {
        assert!(number(text.as_bytes()).is_err(), "{text:?}");
    }
    for (text, value) in [("5.", 5.0), (".5", 0.5), ("-0", -0.0), ("1e3", 1000.0), ("+5", 5.0)] {
        assert_eq!(number(text.as_bytes()).map(f64::to_bits).ok(), Some(f64::to_bits(value)), "{text:?}");
    }
}
