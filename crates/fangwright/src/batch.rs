//! `check --batch`: a stream of prescriptions, checked over all cores, in order, in flat memory.

use std::fs::File;
use std::io::{BufRead, BufReader, BufWriter, Write};
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use fangwright_materia::Materia;
use fangwright_materia::records::{Form, Severity};
use fangwright_safety::{Case, Facts, Head, Names, Patient, Rulebook, Scratch};
use indicatif::{ProgressBar, ProgressStyle};
use rayon::prelude::*;
use rustc_hash::FxHashMap;

use crate::output::BatchAnswer;
use crate::parquet_in::{Rows, Table};
use crate::run::{Failure, Session, out};

/// Lines that one thread takes at a time.
const LOT: usize = 4096;
/// A line longer than this is no prescription.
const LONGEST: usize = 1 << 20;

/// What one thread keeps from one prescription to the next.
pub struct Worker<'a> {
    m: &'a Materia,
    book: &'a Rulebook,
    names: Names,
    case: Case,
    scratch: Scratch,
    /// Nothing is known of most patients in a file.
    nobody: Arc<Facts>,
    /// Patients of whom the same was said before.
    met: FxHashMap<Patient, Arc<Facts>>,
    fired: Vec<u32>,
    conventions: &'a fangwright_formula::Conventions,
}

/// What a lot came to.
#[derive(Default)]
struct Lot {
    text: Vec<u8>,
    fired: Vec<u64>,
    checked: u64,
    standing: u64,
    problems: Vec<(u64, String)>,
    unreadable: u64,
}

impl Lot {
    fn problem(&mut self, line: u64, what: String) {
        self.unreadable += 1;
        if self.problems.len() < 20 {
            self.problems.push((line, what));
        }
    }

    fn join(&mut self, other: Lot) {
        for (a, b) in self.fired.iter_mut().zip(&other.fired) {
            *a += b;
        }
        self.checked += other.checked;
        self.standing += other.standing;
        self.unreadable += other.unreadable;
        self.problems.extend(other.problems);
        self.problems.truncate(20);
    }
}

impl<'a> Worker<'a> {
    pub fn new(s: &'a Session, book: &'a Rulebook) -> Result<Worker<'a>, Failure> {
        let nobody = Facts::new(book, &Patient::default()).map_err(|e| e.to_string())?;
        Ok(Worker {
            m: s.m(),
            book,
            names: Names::default(),
            case: Case::default(),
            scratch: Scratch::default(),
            nobody: Arc::new(nobody),
            met: FxHashMap::default(),
            fired: vec![0; book.rules().len()],
            conventions: &s.conventions,
        })
    }

    /// Checks one line of JSON and writes down what fired.
    fn take_line(&mut self, text: &str, line: u64, write: bool, lot: &mut Lot) -> Result<(), String> {
        let mut json = serde_json::Deserializer::from_str(text);
        let head = self.names.read(self.m, &mut json, &mut self.case);
        let head = head.and_then(|head| json.end().map(|()| head));
        let head = head.map_err(|e| format!("column {}: {e}", e.column()))?;
        self.take(&head, line, write, lot)
    }

    /// Checks one row of a table.
    fn take_row(&mut self, rows: &Rows, row: usize, line: u64, write: bool, lot: &mut Lot) -> Result<(), String> {
        let head = rows.fill(self.m, row, &mut self.names, &mut self.case)?;
        self.take(&head, line, write, lot)
    }

    /// Checks the case that was filled in, or the text that is still to be read.
    fn take(&mut self, head: &Head<'_>, line: u64, write: bool, lot: &mut Lot) -> Result<(), String> {
        if let Some(text) = &head.prescription {
            let rx = fangwright_formula::read(self.m, text);
            self.case = Case::of_prescription(self.m, &rx, self.conventions);
            self.case.form = head.form;
            self.case.ratio = head.granule_ratio.map(|r| r.0);
            self.case.days = head.days.or(self.case.days);
        }
        let facts = match &head.patient {
            None => self.nobody.clone(),
            Some(patient) => match self.met.get(patient) {
                Some(facts) => facts.clone(),
                None => {
                    let facts = Arc::new(Facts::new(self.book, patient).map_err(|e| e.to_string())?);
                    // So that a file of ever new patients does not fill the memory.
                    if self.met.len() >= 10_000 {
                        self.met.clear();
                    }
                    self.met.insert(patient.clone(), facts.clone());
                    facts
                }
            },
        };
        self.scan(&facts, head.id.as_deref(), line, write, lot);
        Ok(())
    }

    fn scan(&mut self, facts: &Facts, id: Option<&str>, line: u64, write: bool, lot: &mut Lot) {
        let book = self.book;
        let hits = book.scan(self.m, &self.case, facts, &mut self.scratch);
        let mut worst = Severity::Note;
        let mut rules: Vec<(Severity, usize)> = Vec::new();
        for hit in hits {
            let severity = book.severity(hit);
            worst = worst.min(severity);
            // Each rule once a prescription.
            let seen = &mut self.fired[hit.rule()];
            if *seen != line as u32 + 1 {
                *seen = line as u32 + 1;
                lot.fired[hit.rule()] += 1;
                if write {
                    rules.push((severity, hit.rule()));
                }
            }
        }
        lot.checked += 1;
        lot.standing += u64::from(worst <= Severity::Grave);
        if write {
            rules.sort_unstable();
            let text = &mut lot.text;
            let _ = write!(text, "{{\"line\":{}", line + 1);
            if let Some(id) = id {
                let _ = write!(text, ",\"id\":{}", serde_json::Value::from(id));
            }
            text.extend_from_slice(b",\"findings\":[");
            for (i, (severity, rule)) in rules.iter().enumerate() {
                let comma = if i == 0 { "" } else { "," };
                let _ = write!(text, "{comma}[\"{}\",\"{severity}\"]", book.rules()[*rule].id);
            }
            text.extend_from_slice(b"]}\n");
        }
    }
}

fn bar(bytes: u64) -> ProgressBar {
    let style = ProgressStyle::with_template("{bar:40} {percent:>3} %  {msg}  {eta} left")
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::new(bytes).with_style(style)
}

/// Lines of the next lots, with their number; false at the end.
fn fill(reader: &mut impl BufRead, lots: &mut [(u64, Vec<u8>)], next: &mut u64) -> std::io::Result<(bool, u64)> {
    let mut bytes = 0;
    for (first, lot) in lots.iter_mut() {
        *first = *next;
        lot.clear();
        for _ in 0..LOT {
            let n = reader.read_until(b'\n', lot)?;
            if n == 0 {
                return Ok((false, bytes));
            }
            bytes += n as u64;
            *next += 1;
            if lot.last() != Some(&b'\n') {
                lot.push(b'\n');
            }
        }
    }
    Ok((true, bytes))
}

fn line(worker: &mut Worker<'_>, bytes: &[u8], number: u64, write: bool, lot: &mut Lot) {
    if bytes.iter().all(u8::is_ascii_whitespace) {
        return;
    }
    if bytes.len() > LONGEST {
        lot.problem(number + 1, format!("the line has {} bytes; no prescription is that long", bytes.len()));
        return;
    }
    // Once for the whole line, so that its strings need not be looked through again.
    let done = match std::str::from_utf8(bytes) {
        Ok(text) => worker.take_line(text, number, write, lot),
        Err(e) => Err(format!("byte {}: the line is not UTF-8 text", e.valid_up_to() + 1)),
    };
    if let Err(what) = done {
        if write {
            let what = serde_json::Value::from(what.as_str());
            let _ = writeln!(lot.text, "{{\"line\":{},\"unreadable\":{what}}}", number + 1);
        }
        lot.problem(number + 1, what);
    }
}

pub fn run(
    s: &Session,
    book: &Rulebook,
    path: &Path,
    to: Option<&Path>,
    threads: Option<usize>,
) -> Result<i32, Failure> {
    let threads = threads.unwrap_or_else(|| std::thread::available_parallelism().map_or(1, usize::from)).max(1);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .map_err(|e| format!("the threads cannot be started: {e}"))?;
    let cannot = |e: std::io::Error| Failure::from(format!("{} cannot be read: {e}", path.display()));
    let size = std::fs::metadata(path).map_err(cannot)?.len();
    let mut sink = match to {
        None => None,
        Some(to) => {
            let file = File::create(to).map_err(|e| format!("{} cannot be written: {e}", to.display()))?;
            Some(BufWriter::with_capacity(1 << 20, file))
        }
    };
    let write = sink.is_some();
    let mut workers = (0..threads).map(|_| Worker::new(s, book)).collect::<Result<Vec<_>, _>>()?;
    let mut whole = Lot { fired: vec![0; book.rules().len()], ..Lot::default() };
    let started = Instant::now();
    let mut put = |lots: Vec<Lot>, whole: &mut Lot| -> Result<(), Failure> {
        for lot in lots {
            if let Some(sink) = &mut sink {
                sink.write_all(&lot.text).map_err(|e| format!("the findings cannot be written: {e}"))?;
            }
            whole.join(lot);
        }
        Ok(())
    };
    let progress = bar(size);
    let mut file = File::open(path).map_err(cannot)?;
    if crate::parquet_in::is_parquet(&mut file).map_err(cannot)? {
        let mut table = Table::open(file).map_err(|e| format!("{}: {e}", path.display()))?;
        progress.set_length(table.rows());
        let empty = || Lot { fired: vec![0; book.rules().len()], ..Lot::default() };
        loop {
            let mut lots = Vec::new();
            while lots.len() < threads {
                match table.next(LOT * 4).map_err(|e| format!("{}: {e}", path.display()))? {
                    Some(rows) => lots.push(rows),
                    None => break,
                }
            }
            if lots.is_empty() {
                break;
            }
            let done: Vec<Lot> = pool.install(|| {
                lots.par_iter()
                    .zip(workers.par_iter_mut())
                    .map(|(rows, worker)| {
                        let mut lot = empty();
                        for i in 0..rows.len() {
                            let number = rows.first + i as u64;
                            if let Err(what) = worker.take_row(rows, i, number, write, &mut lot) {
                                lot.problem(number + 1, what);
                            }
                        }
                        lot
                    })
                    .collect()
            });
            put(done, &mut whole)?;
            progress.set_position(whole.checked + whole.unreadable);
            progress.set_message(format!("{} checked", whole.checked));
        }
    } else {
        let mut reader = BufReader::with_capacity(1 << 20, file);
        let mut lots: Vec<(u64, Vec<u8>)> = (0..threads).map(|_| (0, Vec::new())).collect();
        let mut next = 0;
        loop {
            let (more, bytes) = fill(&mut reader, &mut lots, &mut next).map_err(cannot)?;
            let done: Vec<Lot> = pool.install(|| {
                lots.par_iter()
                    .zip(workers.par_iter_mut())
                    .map(|((first, text), worker)| {
                        let mut lot = Lot { fired: vec![0; book.rules().len()], ..Lot::default() };
                        let mut from = 0;
                        for (number, end) in (*first..).zip(memchr::memchr_iter(b'\n', text)) {
                            line(worker, &text[from..end], number, write, &mut lot);
                            from = end + 1;
                        }
                        lot
                    })
                    .collect()
            });
            put(done, &mut whole)?;
            lots.iter_mut().for_each(|(_, text)| text.clear());
            progress.inc(bytes);
            progress.set_message(format!("{} checked", whole.checked));
            if !more {
                break;
            }
        }
    }
    progress.finish_and_clear();
    if let Some(sink) = &mut sink {
        sink.flush().map_err(|e| format!("the findings cannot be written: {e}"))?;
    }
    let mut fired: Vec<(String, u64)> =
        book.rules().iter().zip(&whole.fired).filter(|(_, n)| **n > 0).map(|(r, n)| (r.id.clone(), *n)).collect();
    fired.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
    let answer = BatchAnswer {
        checked: whole.checked,
        unreadable: whole.unreadable,
        standing: whole.standing,
        fired,
        problems: whole.problems,
        seconds: started.elapsed().as_secs_f64(),
    };
    let code = if answer.standing > 0 { 3 } else { i32::from(answer.unreadable > 0) };
    if s.json {
        s.print("batch", answer);
    } else {
        out(&text(book, &answer));
        let mut end = String::from("\n");
        crate::render::wrap(crate::cautions::CHECK, 0, &mut end);
        out(&end);
    }
    Ok(code)
}

fn text(book: &Rulebook, a: &BatchAnswer) -> String {
    use std::fmt::Write as _;
    let mut text = String::new();
    let rate = a.checked as f64 / a.seconds.max(1e-9);
    let _ = writeln!(
        text,
        "{} prescriptions checked in {:.2} s ({rate:.0} a second); in {} a finding of the upper two severities stands.",
        a.checked, a.seconds, a.standing
    );
    for (line, what) in &a.problems {
        let _ = writeln!(text, "line {line}: not checked: {what}");
    }
    if a.unreadable > a.problems.len() as u64 {
        let _ = writeln!(text, "{} more lines could not be read.", a.unreadable - a.problems.len() as u64);
    }
    text.push_str("\nHow often each rule fired:\n");
    for (id, n) in a.fired.iter().take(60) {
        let severity = book.rules().iter().find(|r| r.id == *id).map_or("", |r| r.severity.word());
        let _ = writeln!(text, "{n:>9}  {severity:<12} {id}");
    }
    if a.fired.len() > 60 {
        let _ = writeln!(text, "and {} more rules; --json has them all.", a.fired.len() - 60);
    }
    text
}

/// The form that a word means.
pub fn form(word: &str) -> Result<Option<Form>, String> {
    match word {
        "" => Ok(None),
        word => Form::from_word(word).map(Some).ok_or_else(|| format!("`{word}` is no form")),
    }
}
