//! The crash test of the record's store: a program that writes without pause is killed again and again, and what it was told is kept
//! has to be there afterwards, on SQLite and on PostgreSQL, whose server is killed as well. And what a full disk does, and one that can
//! only be read.
//!
//! A process that is killed loses what it had in memory, not what the operating system has of it: this shows that nothing is
//! acknowledged before it is committed and that every store opens whole, not what a power cut does to a disk that lies.

use std::collections::{BTreeMap, BTreeSet};
use std::error::Error;
use std::ffi::OsString;
use std::fmt::{self, Display};
use std::fs;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitCode, ExitStatus, Output, Stdio};
use std::sync::mpsc::{Sender, channel};
use std::thread;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use fangwright_amount::Rational;
use fangwright_clinic::audit::{Deed, Link, Walk, sha256};
use fangwright_clinic::handing::Making;
use fangwright_clinic::model::{
    Attachment, Body, Dispensing, Kept, Kind, Person, Prescription, RxLine, Sex, Shows, Visit,
};
use fangwright_clinic::record::new_id;
use fangwright_clinic::search::{Sight, quietly};
use fangwright_clinic::verify::lots_not_found;
use fangwright_clinic::{ClinicError, Conn, Lore, Place, Store, StoreError, Tx};
use fangwright_dispense::{LedgerError, LogError, Lot, Movement, Product, Sort};
use fangwright_materia::Materia;
use fangwright_safety::Exact;
use jiff::Timestamp;
use jiff::civil::{Date, date};

type Fallible<T = ()> = Result<T, Box<dyn Error>>;

const USAGE: &str = "clinic_crash run PLACE ROUNDS [--seed N] [--server-data DIR --server-bin DIR --server-port P]\n\
    clinic_crash write PLACE [SEED]\n\
    clinic_crash disk FOLDER\n\
    clinic_crash readonly FOLDER\n\
    PLACE is a file or postgres://…; tests/disk.sh makes the folders of the last two";

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match task(&words) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("clinic_crash: {e}");
            ExitCode::FAILURE
        }
    }
}

fn task(words: &[String]) -> Fallible {
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    match words.as_slice() {
        ["write", place] => write(place, clock()),
        ["write", place, seed] => write(place, seed.parse()?),
        ["run", place, rounds, rest @ ..] => run(&Options::read(place, rounds, rest)?),
        ["disk", folder] => disk(Path::new(folder)),
        ["readonly", folder] => readonly(Path::new(folder)),
        _ => Err(USAGE.into()),
    }
}

/// A seed where none is given.
fn clock() -> u64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(1, |d| d.as_nanos() as u64)
}

/// Numbers by xorshift: the same for the same seed.
struct Random(u64);

impl Random {
    fn new(seed: u64) -> Random {
        let mut random = Random((seed ^ 0x9e37_79b9_7f4a_7c15).max(1));
        for _ in 0..8 {
            random.draw();
        }
        random
    }

    fn draw(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// A number below `n`, which is more than nothing.
    fn below(&mut self, n: usize) -> usize {
        (self.draw() % n.max(1) as u64) as usize
    }

    fn bytes(&mut self, n: usize) -> Vec<u8> {
        (0..n).map(|_| (self.draw() >> 32) as u8).collect()
    }
}

/// What an acknowledged call says must be there.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Thing {
    /// A version of a record, with the SHA-256 of its body.
    Record { kind: String, id: String, version: i64, hash: String },
    /// Bytes of an attachment.
    Bytes { id: String, hash: String },
    /// An entry of the book of stock.
    Stock { number: i64, hash: String },
    /// A link of the chain, by what it is about.
    Note { about: String },
    /// A person that search finds by a word.
    Found { id: String, word: String },
}

impl Display for Thing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Thing::Record { kind, id, version, hash } => write!(f, "record {kind} {id} {version} {hash}"),
            Thing::Bytes { id, hash } => write!(f, "bytes {id} {hash}"),
            Thing::Stock { number, hash } => write!(f, "stock {number} {hash}"),
            Thing::Note { about } => write!(f, "note {about}"),
            Thing::Found { id, word } => write!(f, "found {id} {word}"),
        }
    }
}

impl Thing {
    fn read(text: &str) -> Option<Thing> {
        let words: Vec<&str> = text.split(' ').collect();
        Some(match words.as_slice() {
            ["record", kind, id, version, hash] => {
                let version = version.parse().ok()?;
                Thing::Record { kind: (*kind).into(), id: (*id).into(), version, hash: (*hash).into() }
            }
            ["bytes", id, hash] => Thing::Bytes { id: (*id).into(), hash: (*hash).into() },
            ["stock", number, hash] => Thing::Stock { number: number.parse().ok()?, hash: (*hash).into() },
            ["note", about] => Thing::Note { about: (*about).into() },
            ["found", id, word] => Thing::Found { id: (*id).into(), word: (*word).into() },
            _ => return None,
        })
    }

    /// For counting: the kind of record, a further version, or what else it is.
    fn sort(&self) -> &str {
        match self {
            Thing::Record { version, kind, .. } if *version > 1 && kind == Kind::Visit.word() => "change",
            Thing::Record { version, .. } if *version > 1 => "signature",
            Thing::Record { kind, .. } => kind,
            Thing::Bytes { .. } => "bytes",
            Thing::Stock { .. } => "stock",
            Thing::Note { .. } => "note",
            Thing::Found { .. } => "found",
        }
    }
}

/// Every sort of thing that a load of some length acknowledges.
const SORTS: [&str; 10] =
    ["person", "found", "visit", "change", "prescription", "signature", "dispensing", "attachment", "stock", "note"];

/// All that one call acknowledged, in one line.
fn line_of(things: &[Thing]) -> String {
    let all: Vec<String> = things.iter().map(Thing::to_string).collect();
    all.join(";") + "\n"
}

fn things_of(line: &str) -> Fallible<Vec<Thing>> {
    let torn = || format!("a line that nobody wrote: `{line}`");
    line.split(';').map(|t| Thing::read(t).ok_or_else(|| torn().into())).collect()
}

fn record<B: Body>(kept: &Kept<B>) -> Result<Thing, ClinicError> {
    let body = serde_json::to_string(&kept.record).map_err(|e| ClinicError::Fault(e.to_string()))?;
    Ok(Thing::Record {
        kind: B::KIND.word().into(),
        id: kept.id.clone(),
        version: kept.version.into(),
        hash: sha256(body.as_bytes()),
    })
}

/// An entry of the book of stock as it was written in this transaction.
fn entry(tx: &mut Tx<'_>, number: u64) -> Result<Thing, StoreError> {
    let row = tx.db().one("select entry from stock where number = ?1", &[number.into()])?;
    let hash = row.map_or(String::new(), |mut r| sha256(r.text(0).as_bytes()));
    Ok(Thing::Stock { number: i64::try_from(number).unwrap_or(i64::MAX), hash })
}

const DAY: Date = date(2026, 3, 5);
const WHO: &str = "c.ash";
/// So many write at once.
const HANDS: u64 = 6;
/// A formula against wind-cold at usual doses.
const FORMULA: [(&str, i32); 5] =
    [("Gui Zhi", 9), ("Bai Shao", 9), ("Zhi Gan Cao", 6), ("Sheng Jiang", 9), ("Da Zao", 9)];

fn person(name: &str) -> Person {
    Person {
        names: vec![name.into()],
        born: Some(date(1980, 2, 3)),
        sex: Some(Sex::Male),
        allergies: Some(Vec::new()),
        medicines: Some(Vec::new()),
        conditions: Some(Vec::new()),
        ..Person::default()
    }
}

fn visit(complaint: String, notes: String) -> Visit {
    Visit {
        on: DAY,
        practitioner: WHO.into(),
        complaint,
        notes,
        findings: Vec::new(),
        absent: Vec::new(),
        tongue: String::new(),
        pulse: String::new(),
        patterns: Vec::new(),
        reasoning: String::new(),
        plan: String::new(),
        flags: Vec::new(),
    }
}

fn prescription() -> Prescription {
    let line = |(name, grams): &(&str, i32)| RxLine {
        name: (*name).into(),
        grams: Some(Exact(Rational::from(*grams))),
        ..RxLine::default()
    };
    Prescription {
        on: DAY,
        visit: None,
        title: "Gui Zhi Tang".into(),
        formula: Some("gui-zhi-tang".into()),
        items: FORMULA.iter().map(line).collect(),
        form: None,
        granule_ratio: None,
        days: Some(7),
        doses: Some(2),
        directions: "warm, then stay under cover".into(),
        patterns: Vec::new(),
        overrides: Vec::new(),
        parent: None,
        why: String::new(),
        signed: None,
        withdrawn: None,
    }
}

fn making(number: String) -> Making {
    Making {
        preparation: "raw-decoction".into(),
        days: None,
        doses: None,
        scale: None,
        boilings: None,
        products: BTreeMap::new(),
        whole: None,
        number: Some(number),
        pricing: None,
    }
}

fn lot(product: &str, grams: i32) -> Lot {
    Lot {
        lot: format!("lot-{}", new_id()),
        product: product.into(),
        grams: Rational::from(grams),
        expiry: date(2027, 1, 1),
        location: String::new(),
        cost: None,
    }
}

fn picture() -> Attachment {
    Attachment {
        on: DAY,
        shows: Shows::Other,
        media: "image/png".into(),
        title: String::new(),
        visit: None,
        bytes: 0,
        sha256: String::new(),
    }
}

/// Ids of the substances of the formula, which are those of the products too, with their names.
fn products(m: &Materia) -> Result<Vec<(String, &'static str)>, ClinicError> {
    let id = |name: &'static str| -> Result<(String, &'static str), ClinicError> {
        let ix = m.resolve(name).settled().ok_or_else(|| ClinicError::Fault(format!("`{name}` is not settled")))?;
        Ok((m.substance(ix).id.clone(), name))
    };
    FORMULA.iter().map(|&(name, _)| id(name)).collect()
}

/// Enters the products where they are not there yet, and a delivery where little is left.
fn stocked(store: &Store) -> Result<Vec<Thing>, ClinicError> {
    let products = products(store.lore().materia())?;
    store.write(move |tx| -> Result<Vec<Thing>, ClinicError> {
        let mut done = Vec::new();
        for (id, name) in products {
            let known = tx.stock()?.product(&id).is_some();
            if !known {
                let product = Product {
                    id: id.clone(),
                    substance: Some(id.clone()),
                    formula: None,
                    name: name.into(),
                    sort: Sort::Raw,
                    ratio: None,
                    sachet: None,
                    spoon: None,
                    supplier: String::new(),
                    price: None,
                    lead_days: None,
                    least: None,
                    pack: None,
                };
                let number = tx.move_stock(DAY, WHO, Movement::Product(Box::new(product)))?;
                done.push(entry(tx, number)?);
            }
            if tx.stock()?.usable_grams(&id, DAY) < Rational::from(5000) {
                let number = tx.move_stock(DAY, WHO, Movement::Receive(lot(&id, 20000)))?;
                done.push(entry(tx, number)?);
            }
        }
        Ok(done)
    })
}

/// The store's knowledge of the trade, read before the first write and not in the middle of it.
fn warm() -> &'static Lore {
    let lore = Lore::new(Materia::embedded());
    let _ = (lore.for_search(), lore.rules());
    lore
}

/// What one of those who write does next.
#[derive(Clone, Copy)]
enum Work {
    Person,
    Visit,
    Change,
    /// Writes a prescription, signs it, hands it out: one step each time.
    HandOut,
    Receive,
    SetAside,
    Note,
    Attach,
}

const LOAD: [Work; 12] = [
    Work::Person,
    Work::Visit,
    Work::Change,
    Work::Change,
    Work::HandOut,
    Work::HandOut,
    Work::HandOut,
    Work::HandOut,
    Work::Receive,
    Work::SetAside,
    Work::Note,
    Work::Attach,
];

/// What one step acknowledged.
type Step = Result<Vec<Thing>, ClinicError>;

/// One of those who write.
struct Hand {
    store: Store,
    random: Random,
    made: u32,
    person: Option<String>,
    visits: Vec<(String, u32)>,
    draft: Option<(String, u32)>,
    signed: Option<String>,
}

impl Hand {
    fn new(store: &Store, seed: u64) -> Hand {
        Hand {
            store: store.clone(),
            random: Random::new(seed),
            made: 0,
            person: None,
            visits: Vec::new(),
            draft: None,
            signed: None,
        }
    }

    /// After an error that leaves open what was kept.
    fn forget(&mut self) {
        self.visits.clear();
        (self.draft, self.signed) = (None, None);
    }

    fn step(&mut self) -> Step {
        self.made += 1;
        let Some(person) = self.person.clone() else { return self.new_person() };
        match LOAD[self.random.below(LOAD.len())] {
            Work::Person => self.new_person(),
            Work::Visit => self.visit(person),
            Work::Change => self.change(person),
            Work::HandOut => self.hand_out(person),
            Work::Receive => self.receive(),
            Work::SetAside => self.set_aside(person),
            Work::Note => self.note(),
            Work::Attach => self.attach(&person),
        }
    }

    fn new_person(&mut self) -> Step {
        // A word that is nobody else's, in letters: the end of a new id.
        let letter = |c: char| c.to_digit(16).and_then(|d| char::from_digit(d + 10, 26));
        let word: String = new_id().chars().rev().take(12).filter_map(letter).collect();
        let body = person(&format!("Invented {word}"));
        let kept = self.store.write(move |tx| tx.create(WHO, None, body))?;
        self.person = Some(kept.id.clone());
        self.forget();
        Ok(vec![record(&kept)?, Thing::Found { id: kept.id, word }])
    }

    fn words(&mut self) -> Visit {
        let complaints =
            ["cannot sleep", "cough since a week", "cold hands", "tired after meals", "dry mouth at night"];
        let complaint = format!("{}, {} days", complaints[self.random.below(complaints.len())], self.made);
        let notes = "worse in the evening; ".repeat(self.random.below(40));
        visit(complaint, notes)
    }

    fn visit(&mut self, person: String) -> Step {
        let body = self.words();
        let kept = self.store.write(move |tx| tx.create(WHO, Some(&person), body))?;
        self.visits.push((kept.id.clone(), kept.version));
        Ok(vec![record(&kept)?])
    }

    fn change(&mut self, person: String) -> Step {
        if self.visits.is_empty() {
            return self.visit(person);
        }
        let at = self.random.below(self.visits.len());
        let (id, version) = self.visits[at].clone();
        let body = self.words();
        let kept = self.store.write(move |tx| tx.change(WHO, &id, version, body))?;
        self.visits[at].1 = kept.version;
        Ok(vec![record(&kept)?])
    }

    fn hand_out(&mut self, person: String) -> Step {
        if let Some(id) = self.signed.take() {
            let making = making(new_id());
            return self.store.write(move |tx| -> Step {
                let before = tx.stock()?.entries();
                let (kept, _) = tx.hand_out(WHO, &id, &making, DAY, &[])?;
                let after = tx.stock()?.entries();
                let mut done = vec![record::<Dispensing>(&kept)?];
                for number in before + 1..=after {
                    done.push(entry(tx, number)?);
                }
                Ok(done)
            });
        }
        if let Some((id, version)) = self.draft.take() {
            let kept = self.store.write(move |tx| tx.sign(WHO, &id, version, DAY, &[]))?;
            self.signed = Some(kept.id.clone());
            return Ok(vec![record(&kept)?]);
        }
        let kept = self.store.write(move |tx| tx.write_prescription(WHO, &person, prescription()))?;
        self.draft = Some((kept.id.clone(), kept.version));
        Ok(vec![record(&kept)?])
    }

    fn one_product(&mut self) -> Result<String, ClinicError> {
        let mut all = products(self.store.lore().materia())?;
        let at = self.random.below(all.len());
        Ok(all.swap_remove(at).0)
    }

    fn receive(&mut self) -> Step {
        let lot = lot(&self.one_product()?, 900);
        self.store.write(move |tx| -> Step {
            let number = tx.move_stock(DAY, WHO, Movement::Receive(lot))?;
            Ok(vec![entry(tx, number)?])
        })
    }

    fn set_aside(&mut self, person: String) -> Step {
        let product = self.one_product()?;
        let back = self.random.below(2) == 0;
        self.store.write(move |tx| -> Step {
            let picks = tx.stock()?.pick(&product, Rational::from(3), DAY).map_err(LedgerError::from)?;
            let dispensing = new_id();
            let first = tx.move_stock(DAY, WHO, Movement::Reserve { dispensing: dispensing.clone(), picks })?;
            let next =
                if back { Movement::Release { dispensing } } else { Movement::Use { dispensing, patient: person } };
            let second = tx.move_stock(DAY, WHO, next)?;
            Ok(vec![entry(tx, first)?, entry(tx, second)?])
        })
    }

    fn note(&mut self) -> Step {
        let about = format!("crash-{}", new_id());
        self.store.note(Deed::new(Timestamp::now(), WHO, "read", about.clone()))?;
        Ok(vec![Thing::Note { about }])
    }

    fn attach(&mut self, person: &str) -> Step {
        let length = 100 + self.random.below(1500);
        let data = self.random.bytes(length);
        attach(&self.store, person, data)
    }

    /// Writes until whoever reads the lines goes away.
    fn go_on(&mut self) {
        loop {
            let line = match self.step() {
                Ok(things) => line_of(&things),
                Err(e) if is_refusal(&e) => continue,
                Err(e) => {
                    self.forget();
                    // It may take the server a while to be there again.
                    thread::sleep(Duration::from_millis(20));
                    let how = if is_away(&e) { "away" } else { "other" };
                    format!("error {how} {}\n", e.to_string().replace(['\n', ';'], " "))
                }
            };
            if say(&line).is_err() {
                return;
            }
        }
    }

    /// So many steps, or up to the first error of the store.
    fn some(&mut self, steps: usize, stop: bool) -> (Vec<Thing>, Vec<ClinicError>) {
        let (mut things, mut errors) = (Vec::new(), Vec::new());
        for _ in 0..steps {
            match self.step() {
                Ok(done) => things.extend(done),
                Err(e) if is_refusal(&e) => {}
                Err(e) => {
                    self.forget();
                    errors.push(e);
                    if stop {
                        break;
                    }
                }
            }
        }
        (things, errors)
    }
}

fn attach(store: &Store, person: &str, data: Vec<u8>) -> Step {
    let (person, hash) = (person.to_string(), sha256(&data));
    let kept = store.write(move |tx| tx.attach(WHO, &person, picture(), data))?;
    Ok(vec![record(&kept)?, Thing::Bytes { id: kept.id, hash }])
}

/// Whether the trade says no: stock does not have it, a finding stands against it. The store did nothing wrong.
fn is_refusal(e: &ClinicError) -> bool {
    matches!(
        e,
        ClinicError::Stock(LedgerError::Stock(_))
            | ClinicError::Plan(_)
            | ClinicError::Fault(_)
            | ClinicError::Stands { .. }
    )
}

/// Whether the server went away: what a killed server looks like from here.
fn is_away(e: &ClinicError) -> bool {
    match e {
        ClinicError::Store(StoreError::Away(_) | StoreError::Busy(_) | StoreError::Closed) => true,
        // The book of stock keeps the words of an error only.
        ClinicError::Stock(LedgerError::Log(LogError::Store(text))) => text.contains("cannot be reached"),
        _ => false,
    }
}

/// Writes a line to whoever listens, all at once.
fn say(line: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    out.write_all(line.as_bytes())?;
    out.flush()
}

/// The child: writes until it is killed.
fn write(place: &str, seed: u64) -> Fallible {
    let place: Place = place.parse()?;
    let store = Store::open(&place, warm())?;
    let things = stocked(&store)?;
    if !things.is_empty() {
        say(&line_of(&things))?;
    }
    thread::scope(|scope| {
        for n in 0..HANDS {
            let mut hand = Hand::new(&store, seed.wrapping_add(n));
            scope.spawn(move || hand.go_on());
        }
    });
    Ok(())
}

/// What a run was asked for.
struct Options {
    place: Place,
    rounds: u32,
    seed: u64,
    server: Option<Server>,
}

impl Options {
    fn read(place: &str, rounds: &str, rest: &[&str]) -> Fallible<Options> {
        let mut given: BTreeMap<&str, &str> = BTreeMap::new();
        for pair in rest.chunks(2) {
            match pair {
                [name @ ("--seed" | "--server-data" | "--server-bin" | "--server-port"), value] => {
                    given.insert(name, value);
                }
                _ => return Err(format!("`{}` is not understood\n{USAGE}", pair.join(" ")).into()),
            }
        }
        let server = match (given.get("--server-data"), given.get("--server-bin"), given.get("--server-port")) {
            (Some(data), Some(bin), Some(port)) => Some(Server::new(data, bin, port)?),
            (None, None, None) => None,
            _ => return Err("--server-data, --server-bin and --server-port go together".into()),
        };
        let place: Place = place.parse()?;
        if server.is_some() && matches!(place, Place::File(_)) {
            return Err("a file has no server to be killed".into());
        }
        let seed = match given.get("--seed") {
            Some(seed) => seed.parse::<u64>()?,
            None => clock(),
        };
        Ok(Options { place, rounds: rounds.parse()?, seed, server })
    }
}

/// Where a run writes: the place that was given or, on a server, a schema of its own within it.
struct Ground {
    place: Place,
    schema: Option<(Place, String)>,
}

impl Ground {
    fn new(given: &Place) -> Fallible<Ground> {
        let Place::Server(address) = given else { return Ok(Ground { place: given.clone(), schema: None }) };
        if address.contains("options=") {
            return Ok(Ground { place: given.clone(), schema: None });
        }
        let schema = format!("crash_{}", new_id().replace('-', ""));
        Conn::open(given, false)?.batch(&format!("create schema {schema}"))?;
        let sign = if address.contains('?') { '&' } else { '?' };
        let place = Place::Server(format!("{address}{sign}options=-csearch_path%3D{schema}"));
        Ok(Ground { place, schema: Some((given.clone(), schema)) })
    }

    /// The place as a word of a command line. Unlike what is shown to people it holds the whole address.
    fn word(&self) -> OsString {
        match &self.place {
            Place::File(path) => path.clone().into_os_string(),
            Place::Server(address) => address.into(),
        }
    }

    /// Takes the schema away. After a loss it stays, to be looked into.
    fn clear(self) -> Fallible {
        if let Some((place, schema)) = self.schema {
            Conn::open(&place, false)?.batch(&format!("drop schema {schema} cascade"))?;
        }
        Ok(())
    }
}

/// Things of all rounds that are looked at once more at the end: each is among them with the same chance.
struct Sample {
    things: Vec<Thing>,
    seen: usize,
}

const SAMPLE: usize = 2000;

impl Sample {
    fn take(&mut self, thing: Thing, random: &mut Random) {
        self.seen += 1;
        if self.things.len() < SAMPLE {
            self.things.push(thing);
            return;
        }
        let at = random.below(self.seen);
        if at < SAMPLE {
            self.things[at] = thing;
        }
    }
}

/// All of the store is verified once in so many rounds.
const WHOLE_EACH: u32 = 25;

fn run(options: &Options) -> Fallible {
    let (rounds, seed) = (options.rounds, options.seed);
    println!("crash test of {}: {rounds} rounds, seed {seed}", options.place);
    let ground = Ground::new(&options.place)?;
    let lore = warm();
    let mut random = Random::new(seed);
    let mut checker = Checker::new(&ground.place, lore);
    let mut sample = Sample { things: Vec::new(), seen: 0 };
    let mut sorts: BTreeMap<String, u64> = BTreeMap::new();
    let mut calls = 0;
    for round in 1..=rounds {
        let server = options.server.as_ref().filter(|_| round % 2 == 0);
        let at = |e: Box<dyn Error>| format!("round {round} (seed {seed}, {}): {e}", ground.place);
        let lines = one_round(&ground, server, &mut random).map_err(at)?;
        let things = acknowledged(&lines, server.is_some()).map_err(at)?;
        calls += lines.iter().filter(|l| !l.starts_with("error ")).count();
        let mut wrong = checker.check(&things).map_err(at)?;
        if round % WHOLE_EACH == 0 {
            wrong.extend(checker.whole().map_err(at)?);
        }
        none_of(&wrong, things.len()).map_err(at)?;
        for thing in things {
            *sorts.entry(thing.sort().to_string()).or_default() += 1;
            sample.take(thing, &mut random);
        }
        if round % 10 == 0 {
            let links = checker.walk.head().0;
            println!("round {round}: {calls} writes acknowledged, nothing lost, {links} links in the chain");
        }
    }
    // Once more all together, along the whole chain and by the whole verification.
    let at = |e: Box<dyn Error>| format!("at the end (seed {seed}, {}): {e}", ground.place);
    check_all(&ground.place, lore, &sample.things).map_err(at)?;
    let said: Vec<String> = sorts.iter().map(|(sort, n)| format!("{sort} {n}")).collect();
    println!("{} things were acknowledged: {}", sample.seen, said.join(", "));
    println!(
        "{rounds} rounds, {calls} writes acknowledged, 0 lost, integrity ok, {} links in the chain",
        checker.walk.head().0
    );
    let missing: Vec<&str> = SORTS.into_iter().filter(|s| !sorts.contains_key(*s)).collect();
    if rounds >= 10 && !missing.is_empty() {
        return Err(format!("the load never came to {}: this was no test of it", missing.join(", ")).into());
    }
    ground.clear()
}

/// Things that lines of a child acknowledge. An error that they tell of is one of ours unless the server was killed.
fn acknowledged(lines: &[String], server_killed: bool) -> Fallible<Vec<Thing>> {
    let mut things = Vec::new();
    for line in lines {
        match line.strip_prefix("error ") {
            Some(e) if server_killed && e.starts_with("away ") => {}
            Some(e) => return Err(format!("while nothing hindered it, the store said: {e}").into()),
            None => things.extend(things_of(line)?),
        }
    }
    Ok(things)
}

/// Fails with what is wrong, if anything is.
fn none_of(wrong: &[String], of: usize) -> Fallible {
    if wrong.is_empty() {
        return Ok(());
    }
    let first: Vec<&str> = wrong.iter().take(20).map(String::as_str).collect();
    let (count, first) = (wrong.len(), first.join("\n  "));
    Err(format!("{count} things are lost or wrong, after {of} were acknowledged:\n  {first}").into())
}

/// A child that does not outlive us.
struct Running(Child);

impl Running {
    fn kill(&mut self) -> io::Result<ExitStatus> {
        self.0.kill()?;
        self.0.wait()
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.kill();
    }
}

/// How long a child may take to its first acknowledged write.
const FIRST: Duration = Duration::from_secs(120);

/// Starts a child, lets it write for a moment, kills it, and gives the lines it came to say.
fn one_round(ground: &Ground, server: Option<&Server>, random: &mut Random) -> Fallible<Vec<String>> {
    let mut command = Command::new(std::env::current_exe()?);
    command.arg("write").arg(ground.word()).arg(random.draw().to_string());
    command.stdin(Stdio::null()).stdout(Stdio::piped());
    let mut child = Running(command.spawn()?);
    let out = child.0.stdout.take().ok_or("the child has no output")?;
    let (give, take) = channel();
    let reader = thread::spawn(move || whole_lines(out, &give));
    let first = take.recv_timeout(FIRST);
    let Ok(first) = first else {
        return Err(format!("a child acknowledged nothing ({:?})", child.kill()?).into());
    };
    thread::sleep(Duration::from_millis(30 + random.below(221) as u64));
    if let Some(server) = server {
        server.kill()?;
        // Long enough for some to notice.
        thread::sleep(Duration::from_millis(random.below(40) as u64));
    }
    let status = child.kill()?;
    let ended = reader.join();
    if let Some(server) = server {
        server.start()?;
        server.is_there(&ground.place)?;
    }
    if status.signal() != Some(9) {
        return Err(format!("the child ended before it was killed ({status})").into());
    }
    ended.map_err(|_| "the lines could not be read")??;
    Ok(std::iter::once(first).chain(take.try_iter()).collect())
}

/// Passes on all lines that came to their end; what was cut off was never said.
fn whole_lines(out: impl Read, to: &Sender<String>) -> io::Result<()> {
    let mut out = BufReader::new(out);
    loop {
        let mut line = Vec::new();
        out.read_until(b'\n', &mut line)?;
        if line.pop() != Some(b'\n') {
            return Ok(());
        }
        let _ = to.send(String::from_utf8_lossy(&line).into_owned());
    }
}

/// Looks after what has to be there.
struct Checker {
    place: Place,
    lore: &'static Lore,
    /// How far the chain was walked.
    walk: Walk,
}

impl Checker {
    fn new(place: &Place, lore: &'static Lore) -> Checker {
        Checker { place: place.clone(), lore, walk: Walk::default() }
    }

    fn open(&self) -> Fallible<Store> {
        Store::open(&self.place, self.lore).map_err(|e| format!("the store does not open: {e}").into())
    }

    /// What is lost or wrong, with the chain from where it was walked to the last time.
    fn check(&mut self, things: &[Thing]) -> Fallible<Vec<String>> {
        let store = self.open()?;
        let mut wrong = integrity(&self.place)?;
        wrong.extend(self.chain(&store, things)?);
        for thing in things {
            wrong.extend(store.read(|db| look(db, thing))?);
        }
        wrong.extend(stock(&store)?);
        wrong.extend(search(&store, things)?);
        Ok(wrong)
    }

    fn chain(&mut self, store: &Store, things: &[Thing]) -> Result<Vec<String>, StoreError> {
        let mut wanted: BTreeSet<String> = things
            .iter()
            .filter_map(|t| match t {
                Thing::Note { about } => Some(about.clone()),
                _ => None,
            })
            .collect();
        let walk = &mut self.walk;
        let mut wrong = Vec::new();
        match store.snapshot(|db| walk_on(db, walk, &mut wanted)) {
            Ok(true) => {}
            Ok(false) => {
                wrong.push(format!("the chain ends at link {}, and the store knows another end", walk.head().0))
            }
            Err(StoreError::Broken(b)) => wrong.push(b.to_string()),
            Err(e) => return Err(e),
        }
        wrong.extend(wanted.into_iter().map(|about| format!("note {about} was acknowledged and is in no link")));
        Ok(wrong)
    }

    /// What the verification of the whole store finds.
    fn whole(&self) -> Fallible<Vec<String>> {
        let store = self.open()?;
        let (number, hash) = self.walk.head();
        let verdict = store.verify(Some((number, hash)), &mut quietly)?;
        let mut wrong: Vec<String> = verdict.tampered.iter().map(|t| format!("{}: {}", t.place, t.what)).collect();
        let lost = lots_not_found(&store, &mut quietly)?;
        wrong.extend(lost.into_iter().map(|id| format!("dispensing {id} is not found by a lot it names")));
        Ok(wrong)
    }
}

/// Everything at once, along the whole chain.
fn check_all(place: &Place, lore: &'static Lore, things: &[Thing]) -> Fallible {
    let mut checker = Checker::new(place, lore);
    let mut wrong = checker.check(things)?;
    wrong.extend(checker.whole()?);
    none_of(&wrong, things.len())
}

/// Walks on along the chain, takes out of `wanted` what the links are about, and says whether the head that is kept beside the chain is
/// its end.
fn walk_on(db: &mut Conn, walk: &mut Walk, wanted: &mut BTreeSet<String>) -> Result<bool, StoreError> {
    loop {
        let sql = "select number, at, who, what, about, person, content, before, hash from audit \
            where number > ?1 order by number limit 5000";
        let rows = db.query(sql, &[walk.head().0.into()])?;
        if rows.is_empty() {
            break;
        }
        for mut row in rows {
            let number = u64::try_from(row.int(0)).unwrap_or(0);
            let bad =
                |e: jiff::Error| StoreError::Row { table: "audit".into(), row: number.to_string(), why: e.to_string() };
            let at: Timestamp = row.text(1).parse().map_err(bad)?;
            let deed = Deed {
                at,
                who: row.text(2),
                what: row.text(3),
                about: row.text(4),
                person: row.text(5),
                content: row.text(6),
            };
            wanted.remove(&deed.about);
            walk.step(&Link { number, deed, before: row.text(7), hash: row.text(8) })?;
        }
    }
    let head = db.one("select value from meta where key = 'head'", &[])?.map(|mut r| r.text(0)).unwrap_or_default();
    let (number, hash) = walk.head();
    Ok(if number == 0 { head.is_empty() } else { head == format!("{number} {hash}") })
}

/// What is wrong with one acknowledged thing.
fn look(db: &mut Conn, thing: &Thing) -> Result<Option<String>, StoreError> {
    let found = match thing {
        Thing::Record { kind, id, version, .. } => body_of(db, kind, id, *version)?,
        Thing::Bytes { id, .. } => {
            let row = db.one("select data from bytes where id = ?1", &[id.into()])?;
            row.map(|mut r| sha256(&r.blob(0))).ok_or_else(|| "is gone".to_string())
        }
        Thing::Stock { number, .. } => {
            let row = db.one("select entry from stock where number = ?1", &[(*number).into()])?;
            row.map(|mut r| sha256(r.text(0).as_bytes())).ok_or_else(|| "is gone".to_string())
        }
        Thing::Note { .. } | Thing::Found { .. } => return Ok(None),
    };
    let (Thing::Record { hash, .. } | Thing::Bytes { hash, .. } | Thing::Stock { hash, .. }) = thing else {
        return Ok(None);
    };
    Ok(match found {
        Ok(there) if there == *hash => None,
        Ok(there) => Some(format!("`{thing}` was acknowledged, and its content has the hash {there}")),
        Err(why) => Some(format!("`{thing}` was acknowledged and {why}")),
    })
}

/// Hash of the body of a version of a record, or why there is none.
fn body_of(db: &mut Conn, kind: &str, id: &str, version: i64) -> Result<Result<String, String>, StoreError> {
    let row = db.one("select version, body from record where id = ?1 and kind = ?2", &[id.into(), kind.into()])?;
    let Some(mut row) = row else { return Ok(Err("is gone".into())) };
    let current = row.int(0);
    if current < version {
        return Ok(Err(format!("is back at version {current}")));
    }
    if current == version {
        return Ok(Ok(sha256(row.text(1).as_bytes())));
    }
    let row = db.one("select body from earlier where id = ?1 and version = ?2", &[id.into(), version.into()])?;
    let gone = || format!("that version is gone; the present one is {current}");
    Ok(row.map(|mut r| sha256(r.text(0).as_bytes())).ok_or_else(gone))
}

/// Whether the book of stock is replayed to its end.
fn stock(store: &Store) -> Result<Option<String>, StoreError> {
    let (replayed, kept) = store.write(|tx| -> Result<(u64, i64), StoreError> {
        let replayed = tx.stock()?.entries();
        let kept = tx.db().one("select count(*) from stock", &[])?.map_or(0, |r| r.int(0));
        Ok((replayed, kept))
    })?;
    let same = i64::try_from(replayed).is_ok_and(|n| n == kept);
    Ok((!same).then(|| format!("{kept} entries of stock are kept, and {replayed} of them replayed")))
}

/// Whether search finds the last person that was acknowledged.
fn search(store: &Store, things: &[Thing]) -> Result<Option<String>, StoreError> {
    let last = things.iter().rev().find_map(|t| match t {
        Thing::Found { id, word } => Some((id, word)),
        _ => None,
    });
    let Some((id, word)) = last else { return Ok(None) };
    let sight = Sight { account: WHO.into(), all: vec![Kind::Person], own: Kind::ALL.to_vec(), ..Sight::default() };
    let hits = store.search(word, &sight, None)?;
    let found = hits.iter().any(|h| h.kind == Kind::Person && h.id == *id);
    Ok((!found).then(|| format!("person {id} was acknowledged, and search does not find `{word}`")))
}

/// What the database itself finds wrong.
fn integrity(place: &Place) -> Result<Vec<String>, StoreError> {
    let mut db = Conn::open(place, false)?;
    if db.is_server() {
        return server_integrity(&mut db);
    }
    let said: Vec<String> = db.query("pragma integrity_check", &[])?.iter_mut().map(|r| r.text(0)).collect();
    Ok(if said == ["ok"] { Vec::new() } else { said.into_iter().map(|s| format!("integrity_check: {s}")).collect() })
}

/// Counts each table by its rows and, where it has one that will do, by an index: both come to the same.
fn server_integrity(db: &mut Conn) -> Result<Vec<String>, StoreError> {
    let mut wrong = Vec::new();
    let sql = "select c.relname from pg_index i join pg_class c on c.oid = i.indexrelid \
        join pg_namespace s on s.oid = c.relnamespace \
        where s.nspname = current_schema() and not (i.indisvalid and i.indisready)";
    for mut row in db.query(sql, &[])? {
        wrong.push(format!("index {} cannot be used", row.text(0)));
    }
    let tables = db.query("select tablename from pg_tables where schemaname = current_schema() order by 1", &[])?;
    db.begin_reading()?;
    for mut row in tables {
        let table = row.text(0);
        db.batch("set local enable_indexonlyscan = off; set local enable_seqscan = on")?;
        let rows = count(db, &format!("select count(*) as by_rows from \"{table}\""))?;
        db.batch("set local enable_indexonlyscan = on; set local enable_seqscan = off")?;
        let by_index = count(db, &format!("select count(*) as by_index from \"{table}\""))?;
        if rows != by_index {
            wrong.push(format!("{table} has {rows} rows, and its index {by_index}"));
        }
    }
    db.batch("rollback")?;
    Ok(wrong)
}

fn count(db: &mut Conn, sql: &str) -> Result<i64, StoreError> {
    Ok(db.one(sql, &[])?.map_or(0, |r| r.int(0)))
}

/// A PostgreSQL server that may be killed.
struct Server {
    data: PathBuf,
    bin: PathBuf,
    port: u16,
}

/// How long the server may take to go, and to be there again.
const PATIENCE: Duration = Duration::from_secs(60);

impl Server {
    fn new(data: &str, bin: &str, port: &str) -> Fallible<Server> {
        let data = fs::canonicalize(data).map_err(|e| format!("{data}: {e}"))?;
        let server = Server { data, bin: PathBuf::from(bin), port: port.parse()? };
        server.postmaster()?;
        Ok(server)
    }

    /// The first process, as the server itself wrote it down.
    fn postmaster(&self) -> Fallible<u32> {
        let path = self.data.join("postmaster.pid");
        let text = fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
        let first = text.lines().next().unwrap_or_default();
        first.trim().parse().map_err(|_| format!("{} begins with `{first}`", path.display()).into())
    }

    /// All processes of this server and no other, the first process last.
    fn processes(&self) -> Fallible<Vec<u32>> {
        let head = self.postmaster().ok();
        let mut all = Vec::new();
        for folder in fs::read_dir("/proc")?.flatten() {
            let Some(id) = folder.file_name().to_str().and_then(|n| n.parse::<u32>().ok()) else { continue };
            let Some(parent) = postgres_parent(&folder.path()) else { continue };
            // All of them work in the server's folder; where we may not see that, the first process is their parent.
            let ours = match fs::read_link(folder.path().join("cwd")) {
                Ok(cwd) => cwd == self.data,
                Err(_) => head.is_some_and(|h| h == id || h == parent),
            };
            if ours {
                all.push(id);
            }
        }
        all.sort_by_key(|id| Some(*id) == head);
        Ok(all)
    }

    /// Kills all of its processes, the way a machine that runs out of memory does.
    fn kill(&self) -> Fallible {
        let since = Instant::now();
        loop {
            let all = self.processes()?;
            if all.is_empty() {
                return Ok(());
            }
            if since.elapsed() > PATIENCE {
                return Err(format!("processes {all:?} of the server cannot be killed").into());
            }
            let ids = all.iter().map(u32::to_string);
            // One may be gone by now: whether all are is seen in the next turn.
            let mut kill = Command::new("sh");
            kill.args(["-c", "kill -9 \"$@\"", "sh"]).args(ids).stderr(Stdio::null()).status()?;
            thread::sleep(Duration::from_millis(10));
        }
    }

    /// Starts it anew and waits until it has recovered.
    fn start(&self) -> Fallible {
        let first = self.control()?;
        if first.status.success() {
            return Ok(());
        }
        if self.processes()?.is_empty() {
            // The number in an old lock may be that of a dead process that nobody has taken away.
            let folder = self.folder();
            let socket = format!(".s.PGSQL.{}", self.port);
            for old in [self.data.join("postmaster.pid"), folder.join(format!("{socket}.lock")), folder.join(socket)] {
                let _ = fs::remove_file(old);
            }
            if self.control()?.status.success() {
                return Ok(());
            }
        }
        let log = fs::read_to_string(self.log()).unwrap_or_default();
        let last: Vec<&str> = log.lines().rev().take(12).collect();
        let last: Vec<&str> = last.into_iter().rev().collect();
        let said = String::from_utf8_lossy(&first.stderr).into_owned();
        Err(format!("the server does not start after it was killed: {said}\n{}", last.join("\n")).into())
    }

    fn folder(&self) -> &Path {
        self.data.parent().unwrap_or(Path::new("/"))
    }

    fn log(&self) -> PathBuf {
        self.folder().join("log")
    }

    /// What it was started with the last time, as it wrote that down itself, but for the folder.
    fn options(&self) -> String {
        let text = fs::read_to_string(self.data.join("postmaster.opts")).unwrap_or_default();
        let mut words = text.split('"').skip(1).step_by(2);
        let mut kept = Vec::new();
        while let Some(word) = words.next() {
            if word == "-D" {
                words.next();
            } else {
                kept.push(format!("'{word}'"));
            }
        }
        if kept.is_empty() {
            return format!("-p {} -k {} -c listen_addresses=127.0.0.1", self.port, self.folder().display());
        }
        kept.join(" ")
    }

    fn control(&self) -> Fallible<Output> {
        let options = self.options();
        let mut command = as_postgres(&self.bin.join("pg_ctl"));
        command.arg("-D").arg(&self.data).args(["-w", "-t", "120", "-l"]).arg(self.log());
        // Where it runs: whoever runs the server may not be let into our own folder.
        command.args(["-o", options.as_str(), "start"]).current_dir("/").stdin(Stdio::null());
        Ok(command.output()?)
    }

    /// Waits until it answers and is no more recovering.
    fn is_there(&self, place: &Place) -> Fallible {
        let since = Instant::now();
        let recovering = || -> Result<bool, StoreError> {
            let row = Conn::open(place, true)?.one("select pg_is_in_recovery()", &[])?;
            Ok(row.is_none_or(|r| r.int(0) != 0))
        };
        loop {
            let said = match recovering() {
                Ok(false) => return Ok(()),
                Ok(true) => "it is recovering".to_string(),
                Err(e) => e.to_string(),
            };
            if since.elapsed() > PATIENCE {
                return Err(format!("the server is not there again: {said}").into());
            }
            thread::sleep(Duration::from_millis(20));
        }
    }
}

/// The parent of a process, if that is a living one of a PostgreSQL server.
fn postgres_parent(folder: &Path) -> Option<u32> {
    let stat = fs::read_to_string(folder.join("stat")).ok()?;
    let (before, after) = stat.rsplit_once(") ")?;
    let (_, name) = before.split_once('(')?;
    let mut fields = after.split(' ');
    let (state, parent) = (fields.next()?, fields.next()?);
    let ours = matches!(name, "postgres" | "postmaster") && !matches!(state, "Z" | "X");
    if ours { parent.parse().ok() } else { None }
}

/// PostgreSQL does not run as root; where we are root, its own account runs it.
fn as_postgres(program: &Path) -> Command {
    let root = Command::new("id").arg("-u").output().is_ok_and(|o| o.stdout.starts_with(b"0\n"));
    if !root {
        return Command::new(program);
    }
    let mut command = Command::new("runuser");
    command.args(["-u", "postgres", "--"]).arg(program);
    command
}

/// Bytes of the file that is taken away to make room, and of a picture that is larger than any room left.
const BALLAST: usize = 1 << 20;
const PICTURE: usize = 3 << 20;
/// A disk of a few megabytes is full long before so many steps.
const MOST: usize = 20_000;

fn store_on(folder: &Path) -> Place {
    Place::File(folder.join("clinic.sqlite"))
}

/// Beside the disk, not on it.
fn notes_beside(folder: &Path) -> PathBuf {
    let mut path = folder.as_os_str().to_owned();
    path.push(".acknowledged");
    path.into()
}

/// Fills a small disk, looks after all that was acknowledged, makes room and goes on.
fn disk(folder: &Path) -> Fallible {
    let ballast = folder.join("ballast");
    fs::write(&ballast, vec![b'.'; BALLAST])?;
    let (place, lore) = (store_on(folder), warm());
    let store = Store::open(&place, lore)?;
    let mut things = stocked(&store)?;
    let errors = together(&store, MOST, true, &mut things)?;
    let said = all_full(&errors)?;
    println!("after {} things the disk is full: {said}", things.len());
    check_all(&place, lore, &things)?;
    large_among_small(&store, &mut things)?;
    check_all(&place, lore, &things)?;
    drop(store);
    check_all(&place, lore, &things).map_err(|e| format!("opened anew on a full disk: {e}"))?;
    let store = Store::open(&place, lore)?;
    fs::remove_file(&ballast)?;
    let before = things.len();
    let (more, errors) = Hand::new(&store, 99).some(60, true);
    things.extend(more);
    if let Some(e) = errors.first() {
        return Err(format!("there is room again, and the store says: {e}").into());
    }
    if things.len() == before {
        return Err("there is room again, and nothing was written".into());
    }
    check_all(&place, lore, &things)?;
    drop(store);
    check_all(&place, lore, &things)?;
    let lines: String = things.iter().map(|t| line_of(std::slice::from_ref(t))).collect();
    fs::write(notes_beside(folder), lines)?;
    println!("with room again {} things more; all {} are there", things.len() - before, things.len());
    Ok(())
}

/// All hands for so many steps; the errors of the store that they met.
fn together(store: &Store, steps: usize, stop: bool, things: &mut Vec<Thing>) -> Fallible<Vec<ClinicError>> {
    let done: Vec<_> = thread::scope(|scope| {
        let hands: Vec<_> = (0..HANDS)
            .map(|n| {
                let mut hand = Hand::new(store, n);
                scope.spawn(move || hand.some(steps, stop))
            })
            .collect();
        hands.into_iter().map(thread::ScopedJoinHandle::join).collect()
    });
    let mut errors = Vec::new();
    for hand in done {
        let (more, met) = hand.map_err(|_| "one of those who write panicked")?;
        things.extend(more);
        errors.extend(met);
    }
    Ok(errors)
}

/// That every error says by its kind and in words that the disk is full, and what one of them says.
fn all_full(errors: &[ClinicError]) -> Fallible<String> {
    for e in errors {
        let full = matches!(e, ClinicError::Store(StoreError::Full(_)));
        if !full || !e.to_string().contains("the disk is full") {
            return Err(format!("on a full disk the store says: {e} ({e:?})").into());
        }
    }
    errors.first().map(ToString::to_string).ok_or_else(|| "the disk is never full".into())
}

/// A picture that does not fit fails in the midst of a commit that others share: it must not take with it what they are told is kept,
/// nor leave anything of what they are told is not.
fn large_among_small(store: &Store, things: &mut Vec<Thing>) -> Fallible {
    let person = things.iter().find_map(|t| match t {
        Thing::Found { id, .. } => Some(id.clone()),
        _ => None,
    });
    let person = person.ok_or("nobody was taken in before the disk was full")?;
    let (errors, pictures) = thread::scope(|scope| {
        let large = scope.spawn(|| -> Vec<Step> {
            (0..10).map(|n| attach(store, &person, Random::new(n).bytes(PICTURE))).collect()
        });
        (together(store, 40, false, things), large.join())
    });
    let mut errors = errors?;
    for picture in pictures.map_err(|_| "whoever keeps pictures panicked")? {
        match picture {
            Ok(_) => return Err("a picture larger than the room that is left was kept".into()),
            Err(e) => errors.push(e),
        }
    }
    all_full(&errors)?;
    Ok(())
}

/// Whether a disk that can only be read says so, and gives what is on it if the database can read it there.
fn readonly(folder: &Path) -> Fallible {
    let (place, lore) = (store_on(folder), warm());
    let path = notes_beside(folder);
    let notes = fs::read(&path).map_err(|e| format!("{}: {e}", path.display()))?;
    let (give, take) = channel();
    whole_lines(notes.as_slice(), &give)?;
    drop(give);
    let mut things = Vec::new();
    for line in take.iter().filter(|l| !l.starts_with("error ")) {
        things.extend(things_of(&line)?);
    }
    let store = match Store::open(&place, lore) {
        Ok(store) => store,
        Err(e @ StoreError::ReadOnly(_)) => {
            println!("on a disk that can only be read the store does not open, and says so: {e}");
            return Ok(());
        }
        Err(e) => return Err(format!("a disk that can only be read is not named: opening says: {e} ({e:?})").into()),
    };
    check_all(&place, lore, &things)?;
    let created = store.write(|tx| tx.create(WHO, None, person("Invented Nobody"))).err();
    let noted = store.note(Deed::new(Timestamp::now(), WHO, "read", "nothing")).err().map(ClinicError::from);
    for said in [created, noted] {
        match said {
            Some(e @ ClinicError::Store(StoreError::ReadOnly(_))) => println!("writing says: {e}"),
            Some(e) => {
                return Err(format!("a disk that can only be read is not named: writing says: {e} ({e:?})").into());
            }
            None => return Err("something was kept on a disk that can only be read".into()),
        }
    }
    check_all(&place, lore, &things)?;
    println!("on a disk that can only be read all {} things are found", things.len());
    Ok(())
}
