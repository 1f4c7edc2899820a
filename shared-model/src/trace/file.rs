//! Trace files: CSV (RFC 4180) with a header, one row a sample, blank where not read.

use super::table::{Complaints, Problem, Shape, Table, number, quoted};
use super::{Dropped, Trace};
use crate::channel::{CHANNELS, Channel, N_CHANNELS};
use crate::protocol::Phase;

/// Largest trace file, bytes: [`MAX_ROWS`] rows with all channels.
pub const MAX_BYTES: usize = 32 * 1024 * 1024;
/// Most samples of a trace file: 14 hours at 4 Hz, an hour at 50 Hz.
pub const MAX_ROWS: usize = 200_000;
/// Furthest sample from the run's zero, s: a week, as in a record. Seconds since 1970 are no run's own time.
pub const MAX_TIME_S: f64 = 7.0 * 24.0 * 3600.0;

/// Name of the time column.
const TIME: &str = "time_s";
/// Name of the phase column.
const PHASE: &str = "phase";
const PHASES: [Phase; 3] = [Phase::Settle, Phase::Load, Phase::Recovery];
const LAST: usize = N_CHANNELS + 1;

/// All columns of a trace file: time, the channels in the table's order, phase.
pub const COLUMNS: [&str; N_CHANNELS + 2] = {
    let mut columns = [TIME; N_CHANNELS + 2];
    let mut idx = 0;
    while idx < N_CHANNELS {
        columns[idx + 1] = CHANNELS[idx].column;
        idx += 1;
    }
    columns[LAST] = PHASE;
    columns
};

/// A trace that was read, and what had to be left out of it.
#[derive(Debug, Clone, PartialEq)]
pub struct TraceFile {
    /// The run.
    pub trace: Trace,
    /// Readings that cannot be true and were made blank, per channel. A sensor's lie is a finding about the sensor,
    /// not a fault of the file.
    pub dropped: Vec<Dropped>,
}

/// Reads a trace file.
///
/// # Errors
/// All complaints with line and column, up to a limit: unknown, missing or repeated columns, rows of another length,
/// cells that aren't numbers, time that doesn't increase, phases out of order.
pub fn read(bytes: &[u8]) -> Result<TraceFile, Complaints> {
    let mut complaints = Complaints::default();
    let required = [TIME, Channel::LoadPct.spec().column, Channel::CpuTempC.spec().column];
    let shape = Shape { known: &COLUMNS, required: &required, max_bytes: MAX_BYTES, max_rows: MAX_ROWS };
    let Some(mut table) = Table::open(bytes, &shape, &mut complaints) else { return Err(complaints) };
    let mut building = Building::new(&table.places);
    while let Some((line, row)) = table.next_row(&mut complaints) {
        building.take_row(line, row, &mut complaints);
    }
    if complaints.is_empty() { Ok(building.finish()) } else { Err(complaints) }
}

/// Writes a trace file; [`read`] gives the same trace back. The two required channels are written blank where the
/// trace hasn't got them.
pub fn write(trace: &Trace) -> Vec<u8> {
    let required = |c: Channel| matches!(c, Channel::LoadPct | Channel::CpuTempC);
    let channels: Vec<Channel> =
        CHANNELS.iter().map(|s| s.channel).filter(|&c| required(c) || trace.column(c).is_some()).collect();
    let phases = trace.phase.as_deref();
    let mut names = vec![TIME];
    names.extend(channels.iter().map(|c| c.spec().column));
    names.extend(phases.map(|_| PHASE));
    let mut text = names.join(",");
    text.push_str(END_OF_LINE);
    for (idx, time_s) in trace.time_s.iter().enumerate() {
        text.push_str(&time_s.to_string());
        for &channel in &channels {
            text.push(',');
            let value = trace.column(channel).map_or(f64::NAN, |values| values[idx]);
            if value.is_finite() {
                text.push_str(&value.to_string());
            }
        }
        if let Some(phases) = phases {
            text.push(',');
            text.push_str(phases[idx].name());
        }
        text.push_str(END_OF_LINE);
    }
    text.into_bytes()
}

/// RFC 4180 section 2.1.
const END_OF_LINE: &str = "\r\n";

/// A trace while its rows come in.
struct Building {
    time_s: Vec<f64>,
    time_place: usize,
    phase: Option<(usize, Vec<Phase>)>,
    columns: Vec<Column>,
}

struct Column {
    channel: Channel,
    place: usize,
    values: Vec<f64>,
    dropped: Option<Dropped>,
}

impl Building {
    fn new(places: &[Option<usize>]) -> Self {
        let column = |(idx, place): (usize, &Option<usize>)| {
            place.map(|place| Column {
                channel: CHANNELS[idx].channel,
                place,
                values: Vec::new(),
                dropped: None,
            })
        };
        Self {
            time_s: Vec::new(),
            time_place: places[0].unwrap_or(0),
            phase: places[LAST].map(|place| (place, Vec::new())),
            columns: places[1..LAST].iter().enumerate().filter_map(column).collect(),
        }
    }

    fn take_row(&mut self, line: u64, row: &csv::ByteRecord, complaints: &mut Complaints) {
        match time(&row[self.time_place], self.time_s.last().copied()) {
            Ok(time_s) => self.time_s.push(time_s),
            // Without its time the row is no sample; its other cells would only repeat the complaint.
            Err(problem) => return complaints.add(line, Some(TIME), problem),
        }
        for column in &mut self.columns {
            column.take_cell(line, &row[column.place], complaints);
        }
        if let Some((place, phases)) = &mut self.phase {
            match phase(&row[*place], phases.last().copied()) {
                Ok(phase) => phases.push(phase),
                Err(problem) => complaints.add(line, Some(PHASE), problem),
            }
        }
    }

    fn finish(self) -> TraceFile {
        let mut trace =
            Trace { time_s: self.time_s, phase: self.phase.map(|(_, phases)| phases), ..Trace::empty() };
        let mut dropped = Vec::new();
        for column in self.columns {
            dropped.extend(column.dropped);
            trace.set_column(column.channel, column.values);
        }
        TraceFile { trace, dropped }
    }
}

impl Column {
    fn take_cell(&mut self, line: u64, cell: &[u8], complaints: &mut Complaints) {
        let value = match number(cell) {
            _ if cell.is_empty() => f64::NAN,
            Ok(value) if self.channel.plausible(value) => value,
            Ok(value) => {
                Dropped::count(&mut self.dropped, self.channel, line as usize, value);
                f64::NAN
            }
            Err(problem) => {
                complaints.add(line, Some(self.channel.spec().column), problem);
                f64::NAN
            }
        };
        self.values.push(value);
    }
}

fn time(cell: &[u8], before_s: Option<f64>) -> Result<f64, Problem> {
    if cell.is_empty() {
        return Err(Problem::Blank);
    }
    let time_s = number(cell)?;
    if time_s.abs() > MAX_TIME_S {
        return Err(Problem::OutOfRange { value: time_s, min: -MAX_TIME_S, max: MAX_TIME_S });
    }
    match before_s {
        Some(before_s) if time_s <= before_s => Err(Problem::TimeNotIncreasing { time_s, before_s }),
        _ => Ok(time_s),
    }
}

fn phase(cell: &[u8], before: Option<Phase>) -> Result<Phase, Problem> {
    if cell.is_empty() {
        return Err(Problem::Blank);
    }
    let Some(phase) = PHASES.into_iter().find(|p| p.name().as_bytes() == cell) else {
        let words = PHASES.map(Phase::name).join(", ");
        return Err(Problem::UnknownWord { cell: quoted(cell), words });
    };
    match before {
        Some(before) if phase < before => {
            Err(Problem::PhaseOrder { phase: phase.name(), before: before.name() })
        }
        _ => Ok(phase),
    }
}
