//! Many people at work on one record at once: fills a store with an invented clinic, serves it with the program itself in a process of
//! its own, lets so many users do what each role does, and says how long everything took.
//!
//! `clinic_load --store PLACE [--visits N] [--users 200] [--seconds 30] [--think-ms 1000] [--skip-fill] [--json] [--binary FILE]`
//! and, for PostgreSQL, `--fresh-schema NAME` (made first), `--schema NAME` (there already), `--drop` (gone at the end).
//!
//! Each user waits for the answer, thinks (half to one and a half times what was given), and asks again. The exit code is 1 if anything
//! was refused or failed.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, ChildStdout, Command, ExitCode, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use fangwright_checks::invented::{DAY, Dice, Inventor, PASSWORD, fill, later, spoken};
use fangwright_clinic::accounts::{self, Role};
use fangwright_clinic::model::{Person, Standing};
use fangwright_clinic::record;
use fangwright_clinic::{Conn, Lore, Place, Store, StoreError};
use fangwright_materia::Materia;
use http_body_util::{BodyExt, Full};
use hyper::body::Bytes;
use hyper::{Method, Request};
use hyper_util::client::legacy::Client;
use hyper_util::client::legacy::connect::HttpConnector;
use hyper_util::rt::TokioExecutor;
use serde_json::{Value, json};

/// What the first seconds took is not counted.
const WARM_UP: Duration = Duration::from_secs(3);
/// An account that every invented clinic has.
const FIRST_ACCOUNT: &str = "practitioner-01";

fn main() -> ExitCode {
    match wish().and_then(|w| run(&w)) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(why) => {
            eprintln!("clinic_load: {why}");
            ExitCode::from(2)
        }
    }
}

// What is wished for.

struct Wish {
    store: String,
    visits: usize,
    users: usize,
    seconds: u64,
    think: u64,
    skip_fill: bool,
    json: bool,
    binary: PathBuf,
    schema: Option<String>,
    fresh: bool,
    drop: bool,
}

fn wish() -> Result<Wish, String> {
    let mut w = Wish {
        store: String::new(),
        visits: 2_000,
        users: 200,
        seconds: 30,
        think: 1000,
        skip_fill: false,
        json: false,
        binary: "target/checked/fangwright".into(),
        schema: None,
        fresh: false,
        drop: false,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut value = || words.next().ok_or_else(|| format!("`{word}` wants something behind it"));
        match word.as_str() {
            "--store" => w.store = value()?,
            "--visits" => w.visits = number(&word, &value()?)?,
            "--users" => w.users = number(&word, &value()?)?,
            "--seconds" => w.seconds = number(&word, &value()?)?,
            "--think-ms" => w.think = number(&word, &value()?)?,
            "--binary" => w.binary = value()?.into(),
            "--schema" => w.schema = Some(value()?),
            "--fresh-schema" => (w.schema, w.fresh) = (Some(value()?), true),
            "--skip-fill" => w.skip_fill = true,
            "--json" => w.json = true,
            "--drop" => w.drop = true,
            _ => {
                return Err(format!(
                    "`{word}` is not known; the beginning of tests/src/bin/clinic_load.rs says what is"
                ));
            }
        }
    }
    if w.store.is_empty() || w.users == 0 || w.seconds == 0 {
        return Err("give --store PLACE, a file or postgres://…, and at least one user and one second".into());
    }
    let plain =
        |s: &String| !s.is_empty() && s.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_');
    if w.schema.as_ref().is_some_and(|s| !plain(s)) {
        return Err("the name of a schema has lower-case letters, digits and `_`".into());
    }
    Ok(w)
}

fn number<T: std::str::FromStr>(word: &str, text: &str) -> Result<T, String> {
    text.parse().map_err(|_| format!("`{word}` wants a whole number, not `{text}`"))
}

fn place(address: &str) -> Place {
    match address.parse::<Place>() {
        Ok(place) => place,
        Err(never) => match never {},
    }
}

fn text(e: impl std::fmt::Display) -> String {
    e.to_string()
}

// The store before and after.

/// A schema of its own in PostgreSQL; the address that leads there.
fn address(w: &Wish) -> Result<String, String> {
    let Some(schema) = &w.schema else { return Ok(w.store.clone()) };
    let server = place(&w.store);
    if !matches!(server, Place::Server(_)) {
        return Err("a schema is of PostgreSQL; `--store` is a file".into());
    }
    if w.fresh {
        Conn::open(&server, false).and_then(|mut db| db.batch(&format!("create schema {schema}"))).map_err(text)?;
    }
    let mark = if w.store.contains('?') { '&' } else { '?' };
    Ok(format!("{}{mark}options=-csearch_path%3D{schema}", w.store))
}

fn filled(w: &Wish, at: &Place, lore: &'static Lore) -> Result<(), String> {
    let store = Store::open(at, lore).map_err(text)?;
    if !store.read(accounts::all).map_err(text)?.is_empty() {
        eprintln!("The store is not empty; it is taken as it is.");
        return Ok(());
    }
    let began = Instant::now();
    let mut told = 0;
    let made = fill(&store, w.visits, |done| {
        if done - told >= 2_000 {
            told = done;
            eprintln!("{done} of {} visits, {:.0} s", w.visits, began.elapsed().as_secs_f64());
        }
    });
    eprintln!(
        "{} people, {} visits, {} records in {:.0} s",
        made.people,
        made.visits,
        made.records,
        began.elapsed().as_secs_f64()
    );
    drop(store);
    let mut db = Conn::open(at, false).map_err(text)?;
    if db.is_server() {
        // What the server does by itself in the course of years.
        db.batch("vacuum analyze").map_err(text)?;
    }
    Ok(())
}

/// One person as whoever works there knows them.
struct Known {
    id: String,
    name: String,
    phone: String,
    visits: Vec<String>,
    prescriptions: Vec<String>,
    measure: Option<String>,
}

/// What is in the store before the load.
struct World {
    accounts: Vec<(String, Role)>,
    people: Vec<Known>,
    /// Account → places in `people`.
    own: BTreeMap<String, Vec<usize>>,
    visits: usize,
    links: usize,
    rows: usize,
}

fn known(db: &mut Conn, id: String) -> Result<Known, String> {
    let person: Person = record::get(db, &id).map_err(text)?.record;
    let sql = "select id, kind from record where person = ?1 and (kind in ('visit', 'measure') \
        or (kind = 'prescription' and state <> 'draft')) order by day, n";
    let mut one = Known {
        name: person.name().to_string(),
        phone: person.phone,
        visits: Vec::new(),
        prescriptions: Vec::new(),
        measure: None,
        id,
    };
    for mut row in db.query(sql, &[(&one.id).into()]).map_err(text)? {
        let (record, kind) = (row.text(0), row.text(1));
        match kind.as_str() {
            "visit" => one.visits.push(record),
            "prescription" => one.prescriptions.push(record),
            _ => one.measure = Some(record),
        }
    }
    Ok(one)
}

fn greatest(db: &mut Conn, sql: &str) -> Result<usize, String> {
    let row = db.one(sql, &[]).map_err(text)?;
    Ok(row.map_or(0, |r| usize::try_from(r.int(0)).unwrap_or(0)))
}

fn world(at: &Place) -> Result<World, String> {
    let mut db = Conn::open(at, true).map_err(text)?;
    let accounts: Vec<(String, Role)> =
        accounts::all(&mut db).map_err(text)?.into_iter().map(|a| (a.id, a.role)).collect();
    if !accounts.iter().any(|a| a.0 == FIRST_ACCOUNT) {
        return Err("this is no invented clinic; give a store that is empty, without --skip-fill".into());
    }
    let mut places: BTreeMap<String, usize> = BTreeMap::new();
    let (mut people, mut own) = (Vec::new(), BTreeMap::<String, Vec<usize>>::new());
    let sql = "select person, account from care where not exists (select 1 from erased e where e.person = care.person) \
        order by person, account";
    for mut row in db.query(sql, &[]).map_err(text)? {
        let (person, account) = (row.text(0), row.text(1));
        let place = match places.get(&person) {
            Some(place) => *place,
            None => {
                people.push(known(&mut db, person.clone())?);
                places.insert(person, people.len() - 1);
                people.len() - 1
            }
        };
        own.entry(account).or_default().push(place);
    }
    let visits = people.iter().map(|p: &Known| p.visits.len()).sum();
    let links = greatest(&mut db, "select max(number) from audit")?;
    let rows = greatest(&mut db, "select max(n) from record")?;
    if people.is_empty() {
        return Err("nobody is in this clinic; fill it with at least one visit".into());
    }
    Ok(World { accounts, people, own, visits, links, rows })
}

/// Runs that follow one another come from one address, which may try to log in only so often; what it tried before is forgotten.
fn forget_tries(at: &Place) -> Result<(), StoreError> {
    Conn::open(at, false)?.execute("delete from attempt where key = ?1", &["from 127.0.0.1".into()]).map(|_| ())
}

// The service.

/// The program that serves, ended when this goes.
struct Service {
    child: Child,
    at: String,
    _out: BufReader<ChildStdout>,
}

impl Service {
    fn start(w: &Wish, address: &str) -> Result<Service, String> {
        let mut child = Command::new(&w.binary)
            .args(["clinic", "--store", address, "serve", "--listen", "127.0.0.1:0"])
            // Nothing of whoever runs this counts.
            .env("XDG_DATA_HOME", std::env::temp_dir().join("fangwright-no-such-folder"))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .map_err(|e| format!("{}: {e}; build it, or say where it is with --binary", w.binary.display()))?;
        let out = child.stdout.take().map(BufReader::new);
        let Some(mut out) = out else { return Err("the service has no output".into()) };
        let mut line = String::new();
        loop {
            line.clear();
            if out.read_line(&mut line).map_err(text)? == 0 {
                let _ = child.wait();
                return Err("the service ended before it served; see what it said above".into());
            }
            if let Some((_, at)) = line.trim().rsplit_once(" on ").filter(|_| line.starts_with("serving ")) {
                return Ok(Service { at: at.to_string(), child, _out: out });
            }
        }
    }

    /// The greatest memory so far and the present one, in KiB.
    fn memory(&self) -> Result<(u64, u64), String> {
        let path = format!("/proc/{}/status", self.child.id());
        let status = std::fs::read_to_string(&path).map_err(|e| format!("{path}: {e}"))?;
        let of = |key: &str| -> Option<u64> {
            let line = status.lines().find_map(|l| l.strip_prefix(key))?;
            line.split_whitespace().next()?.parse().ok()
        };
        of("VmHWM:").zip(of("VmRSS:")).ok_or_else(|| format!("{path} says nothing of memory; the service ended"))
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let told = Command::new("kill").arg(self.child.id().to_string()).status().is_ok_and(|s| s.success());
        let until = Instant::now() + Duration::from_secs(10);
        while told && Instant::now() < until {
            if !matches!(self.child.try_wait(), Ok(None)) {
                return;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

// What is done.

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Work {
    ReadPerson,
    ListVisits,
    ReadVisit,
    SearchName,
    SearchWords,
    WriteVisit,
    WritePrescription,
    CheckPrescription,
    ListPrescriptions,
    Compare,
    AddReading,
    ReadCourse,
    ReadBearing,
    ListDispensings,
    WhoTakes,
    SeeContact,
    AgreeDay,
    WhoIsDue,
    Cases,
    ReadChain,
}

impl Work {
    fn word(self) -> &'static str {
        match self {
            Work::ReadPerson => "read a person",
            Work::ListVisits => "list visits",
            Work::ReadVisit => "read a visit",
            Work::SearchName => "search by name",
            Work::SearchWords => "search by words",
            Work::WriteVisit => "write a visit",
            Work::WritePrescription => "write a prescription",
            Work::CheckPrescription => "check a prescription",
            Work::ListPrescriptions => "list prescriptions",
            Work::Compare => "compare prescriptions",
            Work::AddReading => "add a reading",
            Work::ReadCourse => "read the course",
            Work::ReadBearing => "read what bears",
            Work::ListDispensings => "list dispensings",
            Work::WhoTakes => "who takes",
            Work::SeeContact => "see a contact",
            Work::AgreeDay => "agree a day",
            Work::WhoIsDue => "who is due",
            Work::Cases => "cases",
            Work::ReadChain => "read the chain",
        }
    }
}

/// What a role does, and how often in so many.
fn habits(role: Role) -> &'static [(Work, usize)] {
    match role {
        Role::Practitioner => &[
            (Work::ReadPerson, 12),
            (Work::ListVisits, 12),
            (Work::ReadVisit, 10),
            (Work::SearchName, 10),
            (Work::SearchWords, 8),
            (Work::WriteVisit, 12),
            // Each is checked right after.
            (Work::WritePrescription, 8),
            (Work::ListPrescriptions, 6),
            (Work::Compare, 7),
            (Work::AddReading, 8),
            (Work::ReadCourse, 7),
        ],
        Role::Dispenser => &[
            (Work::ListPrescriptions, 60),
            (Work::ReadBearing, 50),
            (Work::SearchName, 50),
            (Work::ListDispensings, 39),
            (Work::WhoTakes, 1),
        ],
        Role::FrontDesk => &[(Work::SearchName, 45), (Work::SeeContact, 35), (Work::AgreeDay, 18), (Work::WhoIsDue, 2)],
        Role::Student => &[(Work::Cases, 1)],
        Role::Auditor => &[(Work::ReadChain, 1)],
    }
}

/// Which role the user in this place of a hundred has.
fn role_of(place: usize) -> Role {
    match place {
        0..65 => Role::Practitioner,
        65..80 => Role::Dispenser,
        80..92 => Role::FrontDesk,
        92..97 => Role::Student,
        _ => Role::Auditor,
    }
}

/// One request.
struct Ask {
    work: Work,
    method: Method,
    path: String,
    body: Option<Value>,
}

impl Ask {
    fn get(work: Work, path: String) -> Ask {
        Ask { work, method: Method::GET, path, body: None }
    }

    fn post(work: Work, path: String, body: Value) -> Ask {
        Ask { work, method: Method::POST, path, body: Some(body) }
    }
}

fn encoded(text: &str) -> String {
    let mut out = String::with_capacity(3 * text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.~".contains(&byte) {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

/// Two letters of a long word change places.
fn slip(text: &str, dice: &mut Dice) -> String {
    let mut letters: Vec<char> = text.chars().collect();
    if letters.len() >= 6 && text.is_ascii() {
        let at = 1 + dice.below(letters.len() - 3);
        if letters[at] != ' ' && letters[at + 1] != ' ' {
            letters.swap(at, at + 1);
        }
    }
    letters.into_iter().collect()
}

/// Somebody at work.
struct User {
    role: Role,
    account: String,
    token: String,
    world: Arc<World>,
    inventor: Inventor,
    web: Web,
    /// Place of the person who is there just now.
    person: usize,
    /// A prescription that was just written.
    draft: Option<String>,
}

impl User {
    fn below(&mut self, n: usize) -> usize {
        self.inventor.dice.below(n)
    }

    /// Somebody of one's own, or of all where one has nobody of one's own.
    fn somebody(&mut self) -> usize {
        let world = self.world.clone();
        match world.own.get(&self.account) {
            Some(own) if !own.is_empty() => own[self.below(own.len())],
            _ => self.below(world.people.len()),
        }
    }

    fn choose(&mut self) -> Work {
        if self.draft.is_some() {
            return Work::CheckPrescription;
        }
        let habits = habits(self.role);
        let mut at = self.below(habits.iter().map(|h| h.1).sum());
        for (work, often) in habits {
            if at < *often {
                return *work;
            }
            at -= often;
        }
        habits[0].0
    }

    fn name_sought(&mut self, of: usize) -> String {
        let world = self.world.clone();
        let known = &world.people[of];
        match (self.below(10), spoken(&known.name)) {
            (0, _) => known.phone.clone(),
            (1..=4, Some(sound)) => sound,
            // A surname alone, or the beginning of a first name.
            (5, None) => known.name.split(' ').next_back().unwrap_or_default().to_string(),
            (6, None) => known.name.chars().take(5).collect(),
            (7 | 8, None) => slip(&known.name, &mut self.inventor.dice),
            _ => known.name.clone(),
        }
    }

    fn words_sought(&mut self) -> String {
        let (zh, en) = self.inventor.finding();
        let s = self.inventor.substance();
        match self.below(8) {
            0 | 1 => zh.to_string(),
            2 => en.to_string(),
            3 => slip(en, &mut self.inventor.dice),
            4 => s.hanzi.clone(),
            5 => s.pinyin.clone(),
            6 => s.english.clone(),
            _ => format!("{} {en}", s.pinyin),
        }
    }

    /// The next request.
    fn next_ask(&mut self) -> Ask {
        let work = self.choose();
        // Whoever treats somebody stays with them for a while.
        let another = matches!(work, Work::ReadPerson) || self.role != Role::Practitioner || self.below(6) == 0;
        if another && work != Work::CheckPrescription {
            self.person = self.somebody();
        }
        let world = self.world.clone();
        let known = &world.people[self.person];
        let of = |what: &str| format!("/people/{}/{what}", known.id);
        match work {
            Work::ReadPerson => Ask::get(work, format!("/people/{}", known.id)),
            Work::ListVisits => Ask::get(work, of("visits")),
            Work::ReadVisit => match known.visits.get(self.below(known.visits.len())) {
                Some(id) => Ask::get(work, format!("/visits/{id}")),
                None => Ask::get(Work::ListVisits, of("visits")),
            },
            Work::SearchName => {
                let sought = self.name_sought(self.person);
                Ask::get(work, format!("/search?q={}", encoded(&sought)))
            }
            Work::SearchWords => Ask::get(work, format!("/search?q={}", encoded(&self.words_sought()))),
            Work::WriteVisit => {
                let visit = self.inventor.visit(DAY, &self.account);
                Ask::post(work, of("visits"), json!(visit))
            }
            Work::WritePrescription => {
                let patterns = self.inventor.visit(DAY, "").patterns;
                Ask::post(work, of("prescriptions"), json!(self.inventor.prescription(DAY, &patterns)))
            }
            Work::CheckPrescription => {
                let id = self.draft.take().unwrap_or_default();
                Ask::get(work, format!("/prescriptions/{id}/check?on={DAY}"))
            }
            Work::ListPrescriptions => Ask::get(work, of("prescriptions")),
            Work::Compare => match known.prescriptions.as_slice() {
                [.., before, after] => Ask::get(work, format!("/prescriptions/{after}/difference?from={before}")),
                _ => Ask::get(Work::ListPrescriptions, of("prescriptions")),
            },
            Work::AddReading => match &known.measure {
                Some(id) => {
                    let reading = json!({ "on": DAY, "value": self.below(11) });
                    Ask::post(work, format!("/measures/{id}/readings"), reading)
                }
                None => Ask::get(Work::ReadCourse, of("course")),
            },
            Work::ReadCourse => Ask::get(work, of("course")),
            Work::ReadBearing => Ask::get(work, of("bearing")),
            Work::ListDispensings => Ask::get(work, of("dispensings")),
            Work::WhoTakes => {
                let id = &self.inventor.substance().id;
                Ask::get(work, format!("/substances/takers?substance={}&on={DAY}", encoded(id)))
            }
            Work::SeeContact => Ask::get(work, of("contact")),
            Work::AgreeDay => {
                let mut day = self.inventor.appointment(DAY, "");
                day.standing = Standing::Planned;
                Ask::post(work, of("appointments"), json!(day))
            }
            Work::WhoIsDue => Ask::get(work, format!("/due?by={}", later(DAY, 7))),
            Work::Cases => Ask::get(work, format!("/cases?after={}", self.below(world.rows))),
            Work::ReadChain => Ask::get(work, format!("/audit?after={}", self.below(world.links))),
        }
    }

    /// What an answer says that the next request needs.
    fn hear(&mut self, work: Work, body: &Bytes) {
        if work == Work::WritePrescription {
            let made: Value = serde_json::from_slice(body).unwrap_or_default();
            self.draft = made.get("id").and_then(Value::as_str).map(str::to_string);
        }
    }
}

// Asking.

type Web = Client<HttpConnector, Full<Bytes>>;

fn web() -> Web {
    let mut connector = HttpConnector::new();
    connector.set_nodelay(true);
    Client::builder(TokioExecutor::new()).build(connector)
}

/// The error with its causes.
fn causes(e: &dyn std::error::Error) -> String {
    let mut text = e.to_string();
    let mut cause = e.source();
    while let Some(c) = cause {
        text.push_str(&format!(": {c}"));
        cause = c.source();
    }
    text
}

async fn answer(web: &Web, request: Request<Full<Bytes>>) -> Result<(u16, Bytes), String> {
    let response = web.request(request).await.map_err(|e| causes(&e))?;
    let status = response.status().as_u16();
    let whole = response.into_body().collect().await.map_err(|e| causes(&e))?;
    Ok((status, whole.to_bytes()))
}

/// Sends one request: how long it took to the last byte of the answer, and status and body.
async fn send(web: &Web, at: &str, token: &str, ask: &Ask) -> (Duration, Result<(u16, Bytes), String>) {
    let mut request = Request::builder().method(ask.method.clone()).uri(format!("{at}{}", ask.path));
    if !token.is_empty() {
        request = request.header("authorization", format!("Bearer {token}"));
    }
    let mut body = Bytes::new();
    if let Some(value) = &ask.body {
        request = request.header("content-type", "application/json");
        body = Bytes::from(value.to_string());
    }
    let request = match request.body(Full::new(body)) {
        Ok(request) => request,
        Err(e) => return (Duration::ZERO, Err(causes(&e))),
    };
    let began = Instant::now();
    let answer = answer(web, request).await;
    (began.elapsed(), answer)
}

async fn log_in(web: &Web, at: &str, account: &str) -> Result<String, String> {
    // It is not counted as any work.
    let body = json!({ "account": account, "password": PASSWORD });
    let ask = Ask::post(Work::ReadPerson, "/session".into(), body);
    let (status, body) = send(web, at, "", &ask).await.1?;
    let begun: Value = serde_json::from_slice(&body).unwrap_or_default();
    match begun.get("token").and_then(Value::as_str) {
        Some(token) if status == 201 => Ok(token.to_string()),
        _ => Err(format!("{account} is not let in: {status} {}", String::from_utf8_lossy(&body))),
    }
}

#[derive(Clone, Copy)]
struct Clock {
    from: Instant,
    to: Instant,
    think: u64,
}

/// One request that counts.
struct Sample {
    work: Work,
    took: Duration,
    /// Whether the answer was there before the end.
    within: bool,
}

#[derive(Default)]
struct Done {
    samples: Vec<Sample>,
    errors: usize,
    /// The first few errors.
    said: Vec<String>,
}

async fn think(user: &mut User, from: u64, to: u64) {
    let ms = from + user.below(usize::try_from(to - from).unwrap_or(0) + 1) as u64;
    if ms > 0 {
        tokio::time::sleep(Duration::from_millis(ms)).await;
    }
}

/// One user from the warm-up to the end.
async fn work(mut user: User, at: Arc<str>, clock: Clock) -> Done {
    let mut done = Done::default();
    // They do not all begin at the same moment.
    think(&mut user, 0, clock.think).await;
    loop {
        let ask = user.next_ask();
        let began = Instant::now();
        if began >= clock.to {
            return done;
        }
        let (took, answer) = send(&user.web, &at, &user.token, &ask).await;
        let error = match &answer {
            Ok((200..=299, body)) => {
                user.hear(ask.work, body);
                None
            }
            Ok((status, body)) => {
                Some(format!("{} {}: {status} {}", ask.method, ask.path, String::from_utf8_lossy(body)))
            }
            Err(why) => Some(format!("{} {}: {why}", ask.method, ask.path)),
        };
        if let Some(error) = error {
            done.errors += 1;
            if done.said.len() < 3 {
                done.said.push(error);
            }
        }
        if began >= clock.from {
            done.samples.push(Sample { work: ask.work, took, within: began + took <= clock.to });
        }
        think(&mut user, clock.think / 2, clock.think + clock.think / 2).await;
    }
}

async fn load(w: &Wish, at: &str, world: &Arc<World>, inventor: &Inventor) -> Result<Done, String> {
    let (first, mut tokens) = (web(), BTreeMap::new());
    for (account, _) in &world.accounts {
        tokens.insert(account.clone(), log_in(&first, at, account).await?);
    }
    let at: Arc<str> = at.into();
    let from = Instant::now() + WARM_UP;
    let clock = Clock { from, to: from + Duration::from_secs(w.seconds), think: w.think };
    let mut tasks = Vec::new();
    let mut seated: BTreeMap<Role, usize> = BTreeMap::new();
    for place in 0..w.users {
        let role = role_of(place * 100 / w.users);
        let same: Vec<&String> = world.accounts.iter().filter(|a| a.1 == role).map(|a| &a.0).collect();
        let seat = seated.entry(role).or_default();
        let account = same.get(*seat % same.len().max(1)).ok_or_else(|| format!("nobody is {}", role.word()))?;
        *seat += 1;
        let mut user = User {
            role,
            account: (*account).clone(),
            token: tokens.get(*account).cloned().unwrap_or_default(),
            world: world.clone(),
            inventor: inventor.another(place as u64),
            // Each has a connection of their own, as with a browser of their own.
            web: web(),
            person: 0,
            draft: None,
        };
        user.person = user.somebody();
        tasks.push(tokio::spawn(work(user, at.clone(), clock)));
    }
    let mut all = Done::default();
    for task in tasks {
        let one = task.await.map_err(text)?;
        all.samples.extend(one.samples);
        all.errors += one.errors;
        all.said.extend(one.said);
    }
    Ok(all)
}

// What came out.

/// The value that `percent` of a hundred do not exceed (nearest rank), in milliseconds; the list is sorted.
fn rank(sorted: &[Duration], percent: usize) -> f64 {
    let at = (sorted.len() * percent).div_ceil(100).max(1) - 1;
    sorted.get(at).map_or(0.0, |d| d.as_secs_f64() * 1e3)
}

fn figures(mut all: Vec<Duration>) -> Value {
    all.sort_unstable();
    let [p50, p95, p99, max] = [50, 95, 99, 100].map(|p| (rank(&all, p) * 100.0).round() / 100.0);
    json!({ "count": all.len(), "p50_ms": p50, "p95_ms": p95, "p99_ms": p99, "max_ms": max })
}

fn report(w: &Wish, at: &Place, world: &World, done: &Done, memory: (u64, u64)) -> Value {
    let mut by: BTreeMap<Work, Vec<Duration>> = BTreeMap::new();
    for s in &done.samples {
        by.entry(s.work).or_default().push(s.took);
    }
    let works: serde_json::Map<String, Value> =
        by.into_iter().map(|(work, all)| (work.word().to_string(), figures(all))).collect();
    let within = done.samples.iter().filter(|s| s.within).count();
    json!({
        "store": if matches!(at, Place::Server(_)) { "PostgreSQL" } else { "SQLite" },
        "visits": world.visits,
        "people": world.people.len(),
        "users": w.users,
        "seconds": w.seconds,
        "think_ms": w.think,
        "per_second": (within as f64 / w.seconds as f64 * 10.0).round() / 10.0,
        "errors": done.errors,
        "peak_mib": memory.0 / 1024,
        "present_mib": memory.1 / 1024,
        "all": figures(done.samples.iter().map(|s| s.took).collect()),
        "work": works,
    })
}

fn row(name: &str, f: &Value) -> String {
    let ms = |key: &str| f.get(key).and_then(Value::as_f64).unwrap_or(0.0);
    let count = f.get("count").and_then(Value::as_u64).unwrap_or(0);
    let [p50, p95, p99, max] = ["p50_ms", "p95_ms", "p99_ms", "max_ms"].map(ms);
    format!("{name:<22}{count:>9}{p50:>10.2}{p95:>10.2}{p99:>10.2}{max:>10.2}")
}

fn show(r: &Value) {
    let of = |key: &str| r.get(key).map_or(String::new(), |v| v.to_string().trim_matches('"').to_string());
    println!(
        "{}, {} visits of {} people; {} users think {} ms; {} s",
        of("store"),
        of("visits"),
        of("people"),
        of("users"),
        of("think_ms"),
        of("seconds")
    );
    println!("{:<22}{:>9}{:>10}{:>10}{:>10}{:>10}", "", "count", "p50 ms", "p95 ms", "p99 ms", "max ms");
    for (name, figures) in r.get("work").and_then(Value::as_object).into_iter().flatten() {
        println!("{}", row(name, figures));
    }
    println!("{}", row("all", &r["all"]));
    println!(
        "{} requests a second, {} errors; the service's memory: at most {} MiB, at the end {} MiB",
        of("per_second"),
        of("errors"),
        of("peak_mib"),
        of("present_mib")
    );
}

/// Whether all went without an error.
fn run(w: &Wish) -> Result<bool, String> {
    let address = address(w)?;
    let at = place(&address);
    let lore = Lore::new(Materia::embedded());
    if !w.skip_fill {
        filled(w, &at, lore)?;
    }
    let world = Arc::new(world(&at)?);
    forget_tries(&at).map_err(text)?;
    let inventor = Inventor::new(lore.materia(), 0);
    let service = Service::start(w, &address)?;
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().map_err(text)?;
    let done = runtime.block_on(load(w, &service.at, &world, &inventor))?;
    let memory = service.memory()?;
    // Connections that are open hold the end of the service up.
    drop(runtime);
    drop(service);
    let result = report(w, &at, &world, &done, memory);
    if w.json {
        println!("{result}");
    } else {
        show(&result);
    }
    for said in done.said.iter().take(10) {
        eprintln!("{said}");
    }
    if w.drop
        && let Some(schema) = &w.schema
    {
        let dropped = format!("drop schema {schema} cascade");
        Conn::open(&place(&w.store), false).and_then(|mut db| db.batch(&dropped)).map_err(text)?;
    }
    Ok(done.errors == 0)
}
