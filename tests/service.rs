//! The service over HTTP, asked as another program asks it: who may do what with whose record, what stands in the chain afterwards, and
//! what nobody gets to see. Once on a SQLite file, once on PostgreSQL.
//!
//! Who may do what is written down here a second time and by hand: [`TABLE`] is not made from the table of the program, nor from that of
//! the roles. A route that is missing here fails the test, and so does a line too many.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::PathBuf;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use fangwright_clinic::accounts::{self, Credentials, Role};
use fangwright_clinic::handing::Making;
use fangwright_clinic::model::{Appointment, Attachment, Body, Kept, Measure, Person, Prescription, Reading, Visit};
use fangwright_clinic::record::{cares, get, today};
use fangwright_clinic::{ClinicError, Conn, Lore, Place, Store, StoreError};
use fangwright_materia::Materia;
use fangwright_web::route::{About, Route};
use fangwright_web::{Service, Settings, routes};
use serde_json::{Value, json};

/// Who may do what, by hand. `n`: refused; `o`: with the people in their care; `a`: with all. Where a route is about nobody, `o` is let
/// in and sees of its own only.
///
/// The last column says what stands in the chain after it: `read` about that person by that account; `wrote` with the hash of what was
/// written; `did` for anything else; `-` for nothing.
const TABLE: &str = "
route                   practitioner dispenser student front-desk auditor  chain
log-in                  a            a         a       a          a        did
who-am-i                a            a         a       a          a        -
log-out                 a            a         a       a          a        did
change-password         a            a         a       a          a        did
begin-second-factor     a            a         a       a          a        did
confirm-second-factor   a            a         a       a          a        did
remove-second-factor    a            a         a       a          a        did
openapi                 a            a         a       a          a        -
take-in                 a            n         n       a          n        wrote
see-contact             a            a         n       a          n        read
keep-contact            a            n         n       a          n        wrote
take-into-care          a            n         n       n          n        did
read-person             o            n         n       n          n        read
change-person           o            n         n       n          n        wrote
person-versions         o            n         n       n          n        read
read-bearing            o            a         n       n          n        read
read-record             o            n         n       n          n        read
print-record            o            n         n       n          n        read
export-fhir             o            n         n       n          n        read
erase                   o            n         n       n          n        did
list-visits             o            n         n       n          n        read
write-visit             o            n         n       n          n        wrote
read-visit              o            n         n       n          n        read
change-visit            o            n         n       n          n        wrote
visit-versions          o            n         n       n          n        read
compare-visits          o            n         n       n          n        read
list-prescriptions      o            a         n       n          n        read
write-prescription      o            n         n       n          n        wrote
read-prescription       o            a         n       n          n        read
change-prescription     o            n         n       n          n        wrote
prescription-versions   o            n         n       n          n        read
check-prescription      o            a         n       n          n        read
sign-prescription       o            n         n       n          n        wrote
withdraw-prescription   o            n         n       n          n        wrote
compare-prescriptions   o            n         n       n          n        read
plan-dispensing         o            a         n       n          n        read
hand-out                o            a         n       n          n        wrote
list-dispensings        o            a         n       n          n        read
read-dispensing         o            a         n       n          n        read
list-measures           o            n         n       n          n        read
add-measure             o            n         n       n          n        wrote
add-reading             o            n         n       n          n        wrote
read-course             o            n         n       n          n        read
draw-course             o            n         n       n          n        read
list-appointments       o            n         n       a          n        read
agree-day               o            n         n       a          n        wrote
change-day              o            n         n       a          n        wrote
who-is-due              o            n         n       a          n        read
list-attachments        o            n         n       n          n        read
attach                  o            n         n       n          n        wrote
read-attachment         o            n         n       n          n        read
search                  a            a         n       a          n        read
who-had                 a            a         n       n          n        read
who-takes               a            a         n       n          n        read
read-stock              a            a         n       n          n        -
move-stock              a            a         n       n          n        did
practise                a            n         a       n          n        read
read-chain              n            n         n       n          a        read
verify                  n            n         n       n          a        read
";

/// Nobody has to be logged in for these.
const OPEN: [&str; 1] = ["log-in"];

/// Each stands in one kind of text and nowhere else, so that whoever is shown what is not for them is found out.
const NAME: &str = "Invented";
const PHONE: &str = "5550199";
/// In visits, measures, readings and pictures.
const SAID: &str = "quibblewort";
/// In what is known of a person.
const KNOWN: &str = "wumplewick";
/// In drafts.
const DRAFT: &str = "fizzlethorn";
/// In signed prescriptions.
const ORDERED: &str = "bramblejot";
/// In appointments.
const AGREED: &str = "tattlemoss";
const ALL_WORDS: [&str; 7] = [NAME, PHONE, SAID, KNOWN, DRAFT, ORDERED, AGREED];

/// What a role is never shown, whatever it asks.
fn hidden_from(role: Role) -> &'static [&'static str] {
    match role {
        Role::Practitioner => &[],
        Role::Dispenser => &[SAID, DRAFT],
        Role::Student => &ALL_WORDS,
        Role::FrontDesk => &[SAID, KNOWN, DRAFT, ORDERED],
        // The words of a search stand in the chain, and names are searched for.
        Role::Auditor => &[PHONE, SAID, KNOWN, DRAFT, ORDERED, AGREED],
    }
}

/// Fields that say something clinical.
const CLINICAL: &str = "pregnant breast_feeding weights height_cm allergies medicines conditions diets operation athlete g6pd_deficient \
    consents note complaint notes findings absent tongue pulse patterns reasoning plan flags items substance grams directions formula \
    signed withdrawn overrides lines preparation lot measure value least most visits prescriptions dispensings measures readings \
    attachments sha256";

const PASSWORD: &str = "seven quiet herons";

/// One pixel.
const PNG: [u8; 69] = [
    0x89, 0x50, 0x4e, 0x47, 0x0d, 0x0a, 0x1a, 0x0a, 0, 0, 0, 0x0d, 0x49, 0x48, 0x44, 0x52, 0, 0, 0, 1, 0, 0, 0, 1, 8,
    2, 0, 0, 0, 0x90, 0x77, 0x53, 0xde, 0, 0, 0, 0x0c, 0x49, 0x44, 0x41, 0x54, 0x78, 0xda, 0x63, 0xd8, 0xe0, 0xe0, 0,
    0, 2, 0xd4, 1, 0x31, 0xf8, 0x39, 0x1a, 2, 0, 0, 0, 0, 0x49, 0x45, 0x4e, 0x44, 0xae, 0x42, 0x60, 0x82,
];

static COUNT: AtomicU32 = AtomicU32::new(0);

fn count() -> u32 {
    COUNT.fetch_add(1, Ordering::Relaxed)
}

fn lore() -> &'static Lore {
    static LORE: OnceLock<&'static Lore> = OnceLock::new();
    LORE.get_or_init(|| Lore::new(Materia::embedded()))
}

/// A place of its own for each test. It is taken away at the end.
struct Ground {
    place: Place,
    folder: PathBuf,
    schema: Option<(String, String)>,
}

fn mark() -> String {
    let nanos = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().subsec_nanos();
    format!("s{}_{}_{nanos}", std::process::id(), count())
}

fn folder() -> PathBuf {
    let path = std::env::temp_dir().join(format!("fangwright-service-{}", mark()));
    std::fs::create_dir_all(&path).unwrap();
    path
}

/// The address of the server that `cargo xtask test` starts.
fn server() -> Option<String> {
    let given = std::env::var("FANGWRIGHT_POSTGRES").ok();
    assert!(
        given.is_some() || std::env::var_os("FANGWRIGHT_BUILT").is_none(),
        "the whole test run needs PostgreSQL: `cargo xtask test` starts one and sets FANGWRIGHT_POSTGRES"
    );
    if given.is_none() {
        eprintln!("PostgreSQL is NOT tested: FANGWRIGHT_POSTGRES is not set; `cargo xtask test` sets it");
    }
    given
}

impl Ground {
    fn file() -> Ground {
        let folder = folder();
        Ground { place: Place::File(folder.join("clinic.sqlite")), folder, schema: None }
    }

    fn server() -> Option<Ground> {
        let address = server()?;
        let schema = mark();
        Conn::open(&Place::Server(address.clone()), false).unwrap().batch(&format!("create schema {schema}")).unwrap();
        let place = Place::Server(format!("{address}?options=-csearch_path%3D{schema}"));
        Some(Ground { place, folder: folder(), schema: Some((address, schema)) })
    }

    fn open(&self) -> Store {
        Store::open(&self.place, lore()).unwrap()
    }
}

impl Drop for Ground {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
        if let Some((address, schema)) = &self.schema
            && let Ok(mut db) = Conn::open(&Place::Server(address.clone()), false)
        {
            let _ = db.batch(&format!("drop schema \"{schema}\" cascade"));
        }
    }
}

/// Runs a test on both stores.
fn both(test: impl Fn(&Ground)) {
    test(&Ground::file());
    if let Some(ground) = Ground::server() {
        test(&ground);
    }
}

/// A body.
enum Sent {
    Nothing,
    Json(Value),
    Bytes(&'static str, Vec<u8>),
}

/// An answer.
#[derive(Debug)]
struct Answer {
    status: u16,
    headers: BTreeMap<String, String>,
    body: Vec<u8>,
}

impl Answer {
    fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", self.text()))
    }

    fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", String::as_str)
    }

    /// The stable word for what went wrong.
    fn problem(&self) -> String {
        assert_eq!(self.header("content-type"), "application/problem+json", "{}", self.text());
        let said = self.json();
        assert_eq!(said["status"], self.status, "{said}");
        said["title"].as_str().unwrap().to_string()
    }

    fn is(self, status: u16, what: &str) -> Answer {
        assert_eq!(self.status, status, "{what}: {}", self.text());
        self
    }

    fn shows_none_of(&self, words: &[&str], what: &str) {
        let text = self.text();
        for word in words {
            assert!(!text.contains(word), "{what} shows `{word}`: {text}");
        }
    }
}

/// The service as it runs, on a port of its own; it is stopped at the end.
struct Served {
    at: SocketAddr,
    agent: ureq::Agent,
    stop: Option<tokio::sync::oneshot::Sender<()>>,
    thread: Option<JoinHandle<std::io::Result<()>>>,
}

impl Served {
    fn start(store: Store) -> Served {
        let settings = Settings { law_keeps_years: Some(10), ..Settings::default() };
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let at = listener.local_addr().unwrap();
        let (stop, told) = tokio::sync::oneshot::channel();
        let service = Service::new(store, settings);
        let thread = std::thread::spawn(move || {
            fangwright_web::serve(service, listener, async move {
                let _ = told.await;
            })
        });
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .proxy(None)
            .max_redirects(0)
            // Each question on a connection of its own: an answer that does not wait for the body may end one.
            .max_idle_connections(0)
            .timeout_global(Some(Duration::from_secs(120)))
            .build()
            .into();
        Served { at, agent, stop: Some(stop), thread: Some(thread) }
    }

    fn ask(&self, method: &str, path: &str, token: Option<&str>, sent: &Sent) -> Answer {
        let mut request = ureq::http::Request::builder().method(method).uri(format!("http://{}{path}", self.at));
        if let Some(token) = token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        let body = match sent {
            Sent::Nothing => None,
            Sent::Json(value) => {
                request = request.header("content-type", "application/json");
                Some(value.to_string().into_bytes())
            }
            Sent::Bytes(media, bytes) => {
                request = request.header("content-type", *media);
                Some(bytes.clone())
            }
        };
        let answered = match body {
            None if matches!(method, "GET" | "HEAD" | "DELETE") => self.agent.run(request.body(()).unwrap()),
            body => self.agent.run(request.body(body.unwrap_or_default()).unwrap()),
        };
        let mut response = answered.unwrap_or_else(|e| panic!("{method} {path}: {e}"));
        let headers = response
            .headers()
            .iter()
            .map(|(name, value)| (name.as_str().to_string(), value.to_str().unwrap_or_default().to_string()))
            .collect();
        let status = response.status().as_u16();
        let body = response.body_mut().with_config().limit(64 << 20).read_to_vec();
        let body = body.unwrap_or_else(|e| panic!("{method} {path}: {e}"));
        let answer = Answer { status, headers, body };
        // What is in a record stays nowhere on the way, and is taken for nothing else than it is.
        assert_eq!(answer.header("cache-control"), "no-store", "{method} {path}");
        assert_eq!(answer.header("x-content-type-options"), "nosniff", "{method} {path}");
        answer
    }

    fn read(&self, path: &str, token: &str) -> Answer {
        self.ask("GET", path, Some(token), &Sent::Nothing)
    }

    fn send(&self, method: &str, path: &str, token: &str, body: Value) -> Answer {
        self.ask(method, path, Some(token), &Sent::Json(body))
    }

    fn log_in(&self, account: &str, password: &str, code: Option<&str>) -> Answer {
        let body = json!({ "account": account, "password": password, "code": code });
        self.ask("POST", "/session", None, &Sent::Json(body))
    }

    fn end(&mut self) -> std::thread::Result<std::io::Result<()>> {
        if let Some(stop) = self.stop.take() {
            let _ = stop.send(());
        }
        self.thread.take().map_or(Ok(Ok(())), JoinHandle::join)
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let ended = self.end();
        if !std::thread::panicking() {
            ended.expect("the service panicked").unwrap();
        }
    }
}

/// An account with a session.
#[derive(Debug, Clone)]
struct Caller {
    id: String,
    role: Role,
    token: String,
}

fn caller(store: &Store, id: &str, role: Role) -> Caller {
    accounts::add(store, id, role, "Account Madeup", PASSWORD).unwrap();
    Caller { id: id.into(), role, token: enter(store, id) }
}

/// A session, begun from somewhere nobody else comes from: so many begin here that the limit on one address would be reached.
fn enter(store: &Store, id: &str) -> String {
    let given = Credentials { account: id.into(), password: PASSWORD.into(), code: None };
    accounts::log_in(store, &given, &format!("desk {}", count())).unwrap().0
}

/// The code of a second factor, made by another library; `later` steps from now.
fn code(secret: &str, later: u64) -> String {
    let secret = totp_rs::Secret::try_from_base32(secret).unwrap();
    let now = u64::try_from(jiff::Timestamp::now().as_second()).unwrap();
    totp_rs::Builder::new().with_secret(secret).build_noncompliant().generate(now + 30 * later).to_string()
}

fn kept<B: Body>(store: &Store, id: &str) -> Kept<B> {
    store.read(|db| get::<B>(db, id)).unwrap()
}

fn write<B: Body>(store: &Store, who: &str, person: Option<&str>, record: Value) -> Kept<B> {
    let (who, person) = (who.to_string(), person.map(str::to_string));
    let body: B = serde_json::from_value(record).unwrap();
    store.write(move |tx| tx.create(&who, person.as_deref(), body)).unwrap()
}

fn take_in(store: &Store, practitioner: &str, name: &str, teaching: bool) -> String {
    let on = today().to_string();
    let consents = if teaching { json!([{ "to": "teaching", "given": true, "on": on }]) } else { json!([]) };
    let person: Kept<Person> = write(
        store,
        practitioner,
        None,
        json!({
            "names": [name], "born": "1980-02-03", "sex": "male", "phone": PHONE, "email": "nobody@invented.example",
            "address": "1 Invented Lane", "allergies": [], "medicines": [], "conditions": [], "note": format!("{KNOWN} as a child"),
            "consents": consents,
        }),
    );
    let (who, id) = (practitioner.to_string(), person.id.clone());
    store.write(move |tx| tx.take_into_care(&who, &who, &id, "first visit")).unwrap();
    person.id
}

/// A formula against wind-cold at usual doses.
fn formula(title: &str) -> Value {
    let line = |name: &str, grams: &str| json!({ "name": name, "grams": grams });
    json!({
        "on": today().to_string(), "title": title, "formula": "gui-zhi-tang", "days": 7, "doses": 2, "directions": title,
        "items": [line("Gui Zhi", "9"), line("Bai Shao", "9"), line("Zhi Gan Cao", "6"), line("Sheng Jiang", "9"), line("Da Zao", "9")],
    })
}

fn prescribe(store: &Store, who: &str, person: &str, title: &str, visit: Option<&str>) -> String {
    let mut rx = formula(title);
    rx["visit"] = json!(visit);
    let rx: Prescription = serde_json::from_value(rx).unwrap();
    let (who, person) = (who.to_string(), person.to_string());
    store.write(move |tx| tx.write_prescription(&who, &person, rx)).unwrap().id
}

fn signed(store: &Store, who: &str, person: &str, visit: Option<&str>) -> String {
    let id = prescribe(store, who, person, ORDERED, visit);
    let (who, draft) = (who.to_string(), id.clone());
    store.write(move |tx| tx.sign(&who, &draft, 1, today(), &[])).unwrap();
    id
}

fn making() -> Value {
    json!({ "preparation": "raw-decoction" })
}

fn years_later() -> String {
    today().saturating_add(jiff::Span::new().years(2)).to_string()
}

fn fill_stock(store: &Store) {
    for (id, name) in [
        ("gui-zhi", "Gui Zhi"),
        ("bai-shao", "Bai Shao"),
        ("zhi-gan-cao", "Zhi Gan Cao"),
        ("sheng-jiang", "Sheng Jiang"),
        ("da-zao", "Da Zao"),
    ] {
        let m = lore().materia();
        let substance = m.substance(m.resolve(name).settled().unwrap()).id.clone();
        let product = json!({ "product": { "id": id, "substance": substance, "name": name, "sort": "raw" } });
        let lot = json!({ "receive": { "lot": format!("{id}-1"), "product": id, "grams": "100000", "expiry": years_later() } });
        let [product, lot] = [product, lot].map(|m| serde_json::from_value(m).unwrap());
        store
            .write(move |tx| -> Result<(), ClinicError> {
                tx.move_stock(today(), "d.ash", product)?;
                tx.move_stock(today(), "d.ash", lot)?;
                Ok(())
            })
            .unwrap();
    }
}

/// A person with something of every kind.
struct Somebody {
    id: String,
    practitioner: String,
    earlier: String,
    visit: String,
    draft: String,
    signed: String,
    dispensing: String,
    measure: String,
    appointment: String,
    attachment: String,
}

impl Somebody {
    fn new(store: &Store, practitioner: &str, name: &str, teaching: bool) -> Somebody {
        let on = today().to_string();
        let id = take_in(store, practitioner, name, teaching);
        let of = Some(id.as_str());
        let visit = |complaint: &str| -> Kept<Visit> {
            // Where an id belongs somebody may have written words.
            write(
                store,
                practitioner,
                of,
                json!({
                    "on": on, "practitioner": practitioner, "complaint": format!("{SAID} {complaint}"), "notes": SAID, "plan": SAID,
                    "reasoning": SAID, "tongue": SAID, "pulse": SAID, "findings": [format!("{SAID}-finding")], "flags": [SAID],
                }),
            )
        };
        let (earlier, visit) = (visit("at dusk").id, visit("at dawn").id);
        let draft = prescribe(store, practitioner, &id, DRAFT, Some(&visit));
        let signed = signed(store, practitioner, &id, Some(&visit));
        let (rx, making): (String, Making) = (signed.clone(), serde_json::from_value(making()).unwrap());
        let handed = store.write(move |tx| tx.hand_out("d.ash", &rx, &making, today(), &[])).unwrap();
        let measure: Kept<Measure> = write(store, practitioner, of, json!({ "name": SAID, "unit": SAID }));
        let reading = json!({ "measure": measure.id, "on": on, "value": "4", "note": SAID });
        let _: Kept<Reading> = write(store, practitioner, of, reading);
        let appointment: Kept<Appointment> =
            write(store, practitioner, of, json!({ "on": on, "purpose": "visit", "about": AGREED }));
        let about =
            json!({ "on": on, "shows": "tongue", "media": "image/png", "title": SAID, "bytes": 0, "sha256": "" });
        let about: Attachment = serde_json::from_value(about).unwrap();
        let (who, person) = (practitioner.to_string(), id.clone());
        let attachment = store.write(move |tx| tx.attach(&who, &person, about, PNG.to_vec())).unwrap().id;
        Somebody {
            practitioner: practitioner.into(),
            earlier,
            visit,
            draft,
            signed,
            dispensing: handed.0.id,
            measure: measure.id,
            appointment: appointment.id,
            attachment,
            id,
        }
    }

    /// Ids of all that is kept of them.
    fn ids(&self) -> [&str; 9] {
        [
            &self.id,
            &self.earlier,
            &self.visit,
            &self.draft,
            &self.signed,
            &self.dispensing,
            &self.measure,
            &self.appointment,
            &self.attachment,
        ]
    }

    /// The id that belongs into the path of a route.
    fn id_for(&self, route: &Route) -> &str {
        match route.about {
            About::Nobody => "",
            About::Person => &self.id,
            About::Record("visit") => &self.visit,
            About::Record("prescription") => &self.signed,
            About::Record("dispensing") => &self.dispensing,
            About::Record("measure") => &self.measure,
            About::Record("appointment") => &self.appointment,
            About::Record("attachment") => &self.attachment,
            About::Record(kind) => panic!("{}: add a {kind} to this test", route.id),
        }
    }
}

/// A small clinic: an account of each role and a second practitioner, and a person in the care of each of these two.
struct Clinic {
    web: Served,
    store: Store,
    callers: Vec<Caller>,
    /// In the care of p.one, who agreed to teaching; in the care of p.two, who did not.
    people: [Somebody; 2],
}

/// What is asked.
struct Asking {
    /// The id in the path.
    about: String,
    person: String,
    query: String,
    sent: Sent,
    by: Caller,
}

impl Asking {
    fn sending(self, body: Value) -> Asking {
        Asking { sent: Sent::Json(body), ..self }
    }

    fn with(self, query: impl Into<String>) -> Asking {
        Asking { query: query.into(), ..self }
    }

    fn by(self, by: Caller) -> Asking {
        Asking { by, ..self }
    }

    fn about(self, id: &str) -> Asking {
        Asking { about: id.into(), ..self }
    }

    fn of(self, person: &str) -> Asking {
        Asking { about: person.into(), person: person.into(), ..self }
    }
}

fn path(route: &Route, id: &str, query: &str) -> String {
    let path = route.path.replace("{person}", id).replace("{id}", id);
    assert!(!path.contains('{'), "{path}");
    if query.is_empty() { path } else { format!("{path}?{query}") }
}

impl Clinic {
    fn new(ground: &Ground) -> Clinic {
        let store = ground.open();
        let callers = [
            ("p.one", Role::Practitioner),
            ("d.ash", Role::Dispenser),
            ("s.elm", Role::Student),
            ("f.fir", Role::FrontDesk),
            ("a.oak", Role::Auditor),
            ("p.two", Role::Practitioner),
        ];
        let callers = callers.map(|(id, role)| caller(&store, id, role)).to_vec();
        fill_stock(&store);
        let people = [
            Somebody::new(&store, "p.one", "Ada Invented", true),
            Somebody::new(&store, "p.two", "Bela Invented", false),
        ];
        Clinic { web: Served::start(store.clone()), store, callers, people }
    }

    fn token(&self, id: &str) -> &str {
        &self.callers.iter().find(|c| c.id == id).unwrap().token
    }

    /// A further account, for what ends a session or changes how one logs in.
    fn further(&self, role: Role) -> Caller {
        caller(&self.store, &format!("{}.{}", role.word(), count()), role)
    }

    /// A request for a route that is good if only the account may make it; on records of its own where it changes them for good.
    fn asking(&self, route: &Route, by: &Caller, of: &Somebody) -> Asking {
        let store = &self.store;
        let on = today().to_string();
        let asking = Asking {
            about: of.id_for(route).into(),
            person: if route.about == About::Nobody { String::new() } else { of.id.clone() },
            query: String::new(),
            sent: Sent::Nothing,
            by: by.clone(),
        };
        let contact = |name: &str| json!({ "names": [name], "born": "1980-02-03", "sex": "male", "phone": PHONE });
        let again = |version: u32, record: Value| json!({ "version": version, "record": record });
        match route.id {
            "who-am-i" | "openapi" | "who-is-due" | "read-stock" | "practise" | "read-chain" | "verify" => asking,
            "see-contact" | "read-person" | "person-versions" | "read-bearing" | "read-record" | "print-record"
            | "export-fhir" => asking,
            "list-visits" | "read-visit" | "visit-versions" => asking,
            "list-prescriptions" | "read-prescription" | "prescription-versions" | "check-prescription" => asking,
            "list-dispensings" | "read-dispensing" | "list-measures" | "read-course" | "draw-course" => asking,
            "list-appointments" | "list-attachments" | "read-attachment" => asking,
            "log-in" => asking.sending(json!({ "account": by.id, "password": PASSWORD })),
            "log-out" | "begin-second-factor" => asking.by(self.further(by.role)),
            "change-password" => {
                asking.by(self.further(by.role)).sending(json!({ "old": PASSWORD, "new": "eight noisy herons" }))
            }
            "confirm-second-factor" => {
                let by = self.further(by.role);
                let begun = accounts::begin_factor(store, &by.id, "Invented").unwrap();
                asking.by(by).sending(json!({ "code": code(&begun.secret, 0) }))
            }
            "remove-second-factor" => {
                let by = self.further(by.role);
                let begun = accounts::begin_factor(store, &by.id, "Invented").unwrap();
                accounts::confirm_factor(store, &by.id, &code(&begun.secret, 0)).unwrap();
                asking.by(by).sending(json!({ "code": code(&begun.secret, 1) }))
            }
            "take-in" => asking.sending(contact("Cora Invented")),
            "keep-contact" => {
                let there: Kept<Person> = kept(store, &of.id);
                asking.sending(again(there.version, contact(there.record.name())))
            }
            "take-into-care" | "erase" => {
                let person = take_in(store, &of.practitioner, "Dora Invented", false);
                asking.of(&person).sending(json!({ "why": "asked for it" }))
            }
            "change-person" => {
                let there: Kept<Person> = kept(store, &of.id);
                asking.sending(again(there.version, json!(there.record)))
            }
            "write-visit" => asking.sending(json!({ "on": on, "complaint": SAID })),
            "change-visit" => {
                let there: Kept<Visit> = kept(store, &of.visit);
                asking.sending(again(there.version, json!(there.record)))
            }
            "compare-visits" => asking.with(format!("from={}", of.earlier)),
            "write-prescription" => asking.sending(formula(DRAFT)),
            "change-prescription" => {
                let draft = prescribe(store, &of.practitioner, &of.id, DRAFT, None);
                asking.about(&draft).sending(again(1, formula(DRAFT)))
            }
            "sign-prescription" => {
                let draft = prescribe(store, &of.practitioner, &of.id, ORDERED, None);
                asking.about(&draft).sending(json!({ "version": 1 }))
            }
            "withdraw-prescription" => {
                let rx = signed(store, &of.practitioner, &of.id, None);
                asking.about(&rx).sending(json!({ "why": "another one is better" }))
            }
            "compare-prescriptions" => asking.about(&of.draft).with(format!("from={}", of.signed)),
            "plan-dispensing" | "hand-out" => asking.sending(making()),
            "add-measure" => asking.sending(json!({ "name": SAID })),
            "add-reading" => asking.sending(json!({ "on": on, "value": "3", "note": SAID })),
            "agree-day" => asking.sending(json!({ "on": on, "purpose": "call", "about": AGREED })),
            "change-day" => {
                let there: Kept<Appointment> = kept(store, &of.appointment);
                asking.sending(again(there.version, json!(there.record)))
            }
            "attach" => {
                let sent = Sent::Bytes("image/png", PNG.to_vec());
                Asking { sent, ..asking.with(format!("on={on}&shows=tongue&title={SAID}")) }
            }
            "search" => asking.with(format!("q={NAME}")),
            "who-had" => asking.with("product=gui-zhi&lot=gui-zhi-1"),
            "who-takes" => asking.with("substance=Gui+Zhi"),
            "move-stock" => {
                let lot = json!({ "lot": format!("lot-{}", count()), "product": "gui-zhi", "grams": "10", "expiry": years_later() });
                asking.sending(json!({ "movement": { "receive": lot } }))
            }
            id => panic!("add a request for {id} to this test"),
        }
    }

    fn ask(&self, route: &Route, asking: &Asking) -> Answer {
        let path = path(route, &asking.about, &asking.query);
        self.web.ask(route.method.word(), &path, Some(&asking.by.token), &asking.sent)
    }
}

/// A link of the chain as the store has it.
#[derive(Debug)]
struct Noted {
    who: String,
    what: String,
    about: String,
    person: String,
    content: String,
}

fn length(store: &Store) -> i64 {
    let row = store.read(|db| -> Result<_, StoreError> { db.one("select max(number) from audit", &[]) }).unwrap();
    row.map_or(0, |r| r.int(0))
}

fn noted_after(store: &Store, number: i64) -> Vec<Noted> {
    let sql = "select who, what, about, person, content from audit where number > ?1 order by number";
    let rows = store.read(|db| -> Result<_, StoreError> { db.query(sql, &[number.into()]) }).unwrap();
    rows.into_iter()
        .map(|mut r| Noted { who: r.text(0), what: r.text(1), about: r.text(2), person: r.text(3), content: r.text(4) })
        .collect()
}

struct Line {
    /// By role, in the order of the columns.
    reach: BTreeMap<&'static str, &'static str>,
    chain: &'static str,
}

fn table() -> BTreeMap<&'static str, Line> {
    let mut rows = TABLE.trim().lines().map(|l| l.split_whitespace().collect::<Vec<_>>());
    let head = rows.next().unwrap();
    assert_eq!(head[1..6].iter().copied().collect::<BTreeSet<_>>(), Role::ALL.map(Role::word).into());
    let mut table = BTreeMap::new();
    for row in rows {
        assert_eq!(row.len(), head.len(), "{row:?}");
        let reach = head[1..6].iter().copied().zip(row[1..6].iter().copied()).collect();
        assert!(table.insert(row[0], Line { reach, chain: row[6] }).is_none(), "{} stands there twice", row[0]);
    }
    table
}

fn keys_of(value: &Value, into: &mut BTreeSet<String>) {
    match value {
        Value::Object(map) => {
            for (key, value) in map {
                into.insert(key.clone());
                keys_of(value, into);
            }
        }
        Value::Array(list) => list.iter().for_each(|v| keys_of(v, into)),
        _ => {}
    }
}

fn keys(value: &Value) -> BTreeSet<String> {
    let mut keys = BTreeSet::new();
    keys_of(value, &mut keys);
    keys
}

fn nothing_clinical(value: &Value, what: &str) {
    let clinical: BTreeSet<String> = CLINICAL.split_whitespace().map(str::to_string).collect();
    let keys = keys(value);
    let both: Vec<&String> = keys.intersection(&clinical).collect();
    assert!(both.is_empty(), "{what} has {both:?}: {value:#}");
}

#[test]
fn the_table_here_and_that_of_the_program_have_the_same_routes() {
    let (here, there) = (table(), routes::table());
    let ids: BTreeSet<&str> = there.iter().map(|r| r.id).collect();
    assert_eq!(ids.len(), there.len(), "an id stands there twice");
    assert_eq!(here.keys().copied().collect::<BTreeSet<_>>(), ids);
    for route in &there {
        assert_eq!(route.act.is_none(), OPEN.contains(&route.id), "{}", route.id);
        assert_eq!(route.reads, here[route.id].chain == "read", "{}", route.id);
        // Whoever may read about a person leaves a link: nothing about a person goes unwritten.
        assert!(route.about == About::Nobody || here[route.id].chain != "-", "{}", route.id);
    }
}

#[test]
fn every_route_lets_in_whom_it_is_for_and_nobody_else() {
    both(|ground| {
        let clinic = Clinic::new(ground);
        let table = table();
        for route in routes::table() {
            let line = table.get(route.id).unwrap_or_else(|| panic!("{} is not in the table of this test", route.id));
            for by in &clinic.callers {
                for of in &clinic.people {
                    let own = of.practitioner == by.id;
                    let foreign = match line.reach[by.role.word()] {
                        "a" => Some(false),
                        "o" => Some(!own && route.about != About::Nobody),
                        "n" => None,
                        other => panic!("{other}"),
                    };
                    let asking = clinic.asking(&route, by, of);
                    let before = length(&clinic.store);
                    let answer = clinic.ask(&route, &asking);
                    let noted = noted_after(&clinic.store, before);
                    let what = format!("{} by {} about one of {}", route.id, by.id, of.practitioner);
                    match foreign {
                        Some(false) => allowed(&route, line, &asking, &answer, &noted, &what),
                        Some(true) => {
                            refused(&answer, "not-in-care", &noted, &what);
                            let [link] = &noted[..] else { panic!("{what}: {noted:?}") };
                            assert_eq!(
                                (link.what.as_str(), &link.who, &link.person),
                                ("was refused", &by.id, &asking.person),
                                "{what}"
                            );
                        }
                        None => refused(&answer, "not-allowed", &noted, &what),
                    }
                    if route.about == About::Nobody {
                        break;
                    }
                }
            }
        }
        // Whatever was let in and whatever was refused: the record is as it was written.
        let verdict = clinic.web.read("/audit/verification", clinic.token("a.oak")).is(200, "verification").json();
        assert_eq!(verdict["tampered"], json!([]), "{verdict:#}");
    });
}

fn refused(answer: &Answer, title: &str, noted: &[Noted], what: &str) {
    assert_eq!(answer.status, 403, "{what}: {}", answer.text());
    assert_eq!(answer.problem(), title, "{what}");
    answer.shows_none_of(&ALL_WORDS, what);
    assert!(noted.iter().all(|l| l.content.is_empty()), "{what}: {noted:?}");
}

fn allowed(route: &Route, line: &Line, asking: &Asking, answer: &Answer, noted: &[Noted], what: &str) {
    assert_eq!(answer.status, route.gives.0, "{what}: {}", answer.text());
    answer.shows_none_of(hidden_from(asking.by.role), what);
    if asking.by.role == Role::FrontDesk && answer.header("content-type") == "application/json" && route.id != "openapi"
    {
        nothing_clinical(&answer.json(), what);
    }
    match line.chain {
        // Over many people it stands at each of whom something was shown.
        "read" if route.about == About::Nobody => {
            let by = |l: &Noted| (l.what.as_str(), &l.who) == ("read", &asking.by.id) && l.content.is_empty();
            assert!(!noted.is_empty() && noted.iter().all(by), "{what}: {noted:?}");
        }
        "read" => {
            let [link] = noted else { panic!("{what}: {noted:?}") };
            assert_eq!(
                (link.what.as_str(), &link.who, &link.person),
                ("read", &asking.by.id, &asking.person),
                "{what}"
            );
            assert!(link.about.split(' ').next() == Some(route.id), "{what}: {link:?}");
            assert!(link.about.contains(&asking.about), "{what}: {link:?}");
        }
        "wrote" => {
            let written = |l: &&Noted| !l.content.is_empty() && l.who == asking.by.id;
            let link = noted.iter().find(written).unwrap_or_else(|| panic!("{what}: {noted:?}"));
            // A person who is taken in had no id before.
            assert!(
                link.person == asking.person || (route.id == "take-in" && !link.person.is_empty()),
                "{what}: {link:?}"
            );
        }
        "did" => assert!(noted.iter().any(|l| l.who == asking.by.id && l.person == asking.person), "{what}: {noted:?}"),
        "-" => assert!(noted.is_empty(), "{what}: {noted:?}"),
        other => panic!("{other}"),
    }
}

#[test]
fn without_a_session_there_is_nothing_but_the_way_in() {
    both(|ground| {
        let clinic = Clinic::new(ground);
        let ada = &clinic.people[0];
        let closed = clinic.further(Role::Practitioner);
        clinic.web.read("/session", &closed.token).is(200, "before it is closed");
        accounts::close(&clinic.store, &closed.id, true).unwrap();
        let tokens = [None, Some(""), Some("no-token-of-ours"), Some(closed.token.as_str())];
        let before = length(&clinic.store);
        let nothing = |method: &str, path: &str| {
            for token in tokens {
                let what = format!("{method} {path} with {token:?}");
                let answer = clinic.web.ask(method, path, token, &Sent::Nothing).is(401, &what);
                assert_eq!(
                    (answer.problem().as_str(), answer.header("www-authenticate")),
                    ("log-in", "Bearer"),
                    "{what}"
                );
                answer.shows_none_of(&ALL_WORDS, &what);
                answer.shows_none_of(&ada.ids(), &what);
            }
        };
        let all = routes::table();
        for route in all.iter().filter(|r| !OPEN.contains(&r.id)) {
            nothing(route.method.word(), &path(route, ada.id_for(route), ""));
        }
        let unknown = [
            "/",
            "/nothing",
            "/people/",
            "/people//visits",
            "/visits",
            "/session/nothing",
            "/people/a/b/c/d",
            "/%2e%2e/people",
        ];
        for path in unknown {
            // Who is not logged in does not even learn what there is.
            nothing("GET", path);
            nothing("POST", path);
            let answer = clinic.web.read(path, clinic.token("p.one")).is(404, path);
            assert_eq!(answer.problem(), "no-such-address", "{path}");
        }
        assert!(noted_after(&clinic.store, before).is_empty());
        // The session of a closed account does not come back with it.
        accounts::close(&clinic.store, &closed.id, false).unwrap();
        clinic.web.read("/session", &closed.token).is(401, "after it is opened again");
        for route in &all {
            for method in ["GET", "POST", "PUT", "DELETE", "PATCH", "HEAD"] {
                if all.iter().any(|r| r.path == route.path && r.method.word() == method) {
                    continue;
                }
                let (path, what) = (path(route, ada.id_for(route), ""), format!("{method} {}", route.path));
                let answer = clinic.web.ask(method, &path, Some(clinic.token("p.one")), &Sent::Nothing).is(405, &what);
                // RFC 9110, section 15.5.6: such an answer says what is for this address.
                let allow: BTreeSet<&str> = answer.header("allow").split(',').map(str::trim).collect();
                let there: BTreeSet<&str> =
                    all.iter().filter(|r| r.path == route.path).map(|r| r.method.word()).collect();
                assert_eq!(allow, there, "{what}");
            }
        }
    });
}

#[test]
fn what_is_not_there_is_not_found_and_what_is_erased_is_gone() {
    both(|ground| {
        let clinic = Clinic::new(ground);
        let (ada, token) = (&clinic.people[0], clinic.token("p.one"));
        let nobody = "01900000-0000-7000-8000-000000000000";
        for path in [
            format!("/people/{nobody}"),
            format!("/visits/{nobody}"),
            format!("/visits/{}", ada.id),
            format!("/people/{}", ada.visit),
        ] {
            let answer = clinic.web.read(&path, token).is(404, &path);
            assert_eq!(answer.problem(), "not-found", "{path}");
        }
        // A visit of somebody else is none to compare with.
        let path = format!("/visits/{}/difference?from={}", ada.visit, clinic.people[1].visit);
        clinic.web.read(&path, token).is(404, &path).shows_none_of(&[SAID], &path);
        let path = format!("/people/{}/erasure", ada.id);
        let done = clinic.web.send("POST", &path, token, json!({ "why": "asked for it" })).is(200, &path).json();
        assert!(done["until"].is_string(), "{done:#}");
        for path in [
            format!("/people/{}", ada.id),
            format!("/people/{}/visits", ada.id),
            format!("/prescriptions/{}", ada.signed),
        ] {
            for who in ["p.one", "p.two"] {
                let answer = clinic.web.read(&path, clinic.token(who)).is(410, &path);
                assert_eq!(answer.problem(), "erased", "{path}");
                answer.shows_none_of(&ALL_WORDS, &path);
            }
        }
        let contact = clinic.web.read(&format!("/people/{}/contact", ada.id), clinic.token("f.fir"));
        contact.is(410, "contact").shows_none_of(&ALL_WORDS, "contact");
        clinic.web.read(&format!("/visits/{}", ada.visit), token).is(404, "a visit that went");
    });
}

fn hits(answer: &Answer) -> Vec<Value> {
    answer.json()["hits"].as_array().unwrap().clone()
}

#[test]
fn a_dispenser_sees_no_draft_and_no_visit() {
    both(|ground| {
        let clinic = Clinic::new(ground);
        let (ada, token) = (&clinic.people[0], clinic.token("d.ash"));
        let rx = |id: &str, end: &str| format!("/prescriptions/{id}{end}");
        for end in ["", "/check", "/versions"] {
            let path = rx(&ada.draft, end);
            let answer = clinic.web.read(&path, token);
            assert_eq!(answer.status, 403, "{path}: {}", answer.text());
            answer.shows_none_of(&[DRAFT, "gui-zhi", "Gui Zhi"], &path);
        }
        for end in ["/plan", "/dispensings"] {
            let path = rx(&ada.draft, end);
            let answer = clinic.web.send("POST", &path, token, making());
            assert!(matches!(answer.status, 403 | 409), "{path}: {} {}", answer.status, answer.text());
            answer.shows_none_of(&[DRAFT, "gui-zhi", "Gui Zhi"], &path);
        }
        let path = format!("/people/{}/prescriptions", ada.id);
        let answer = clinic.web.read(&path, token).is(200, &path);
        answer.shows_none_of(&[DRAFT, SAID, &ada.draft], &path);
        assert_eq!(answer.json()[0]["id"], ada.signed.as_str());
        for end in ["visits", "record", "versions", "course", "measures", "attachments", "fhir", "record.pdf"] {
            clinic.web.read(&format!("/people/{}/{end}", ada.id), token).is(403, end);
        }
        clinic.web.read(&format!("/visits/{}", ada.visit), token).is(403, "visit");
        for words in [DRAFT, SAID, "Gui+Zhi", NAME, &today().to_string()] {
            let path = format!("/search?q={words}");
            let answer = clinic.web.read(&path, token).is(200, &path);
            answer.shows_none_of(&[SAID, DRAFT, &ada.draft, &ada.visit, &clinic.people[1].draft], &path);
            for hit in hits(&answer) {
                assert!(
                    ["person", "prescription", "dispensing"].contains(&hit["kind"].as_str().unwrap()),
                    "{path}: {hit}"
                );
            }
        }
        let found = clinic.web.read(&format!("/search?q={ORDERED}"), token);
        assert!(hits(&found).iter().any(|h| h["id"] == ada.signed.as_str()), "{}", found.text());
    });
}

#[test]
fn the_front_desk_sees_nothing_clinical() {
    both(|ground| {
        let clinic = Clinic::new(ground);
        let (ada, token) = (&clinic.people[0], clinic.token("f.fir"));
        let clinical = [SAID, KNOWN, DRAFT, ORDERED];
        let contact = format!("/people/{}/contact", ada.id);
        for path in [
            contact.clone(),
            format!("/people/{}/appointments", ada.id),
            "/due".into(),
            format!("/search?q={NAME}"),
            format!("/search?q={AGREED}"),
            "/session".into(),
        ] {
            let answer = clinic.web.read(&path, token).is(200, &path);
            answer.shows_none_of(&clinical, &path);
            nothing_clinical(&answer.json(), &path);
        }
        assert_eq!(hits(&clinic.web.read(&format!("/search?q={NAME}&kind=person"), token)).len(), 2);
        // To find a person by what they suffer from is to be told what they suffer from.
        for words in clinical.iter().chain(&["Gui+Zhi", "gui-zhi-tang"]) {
            let path = format!("/search?q={words}");
            let answer = clinic.web.read(&path, token).is(200, &path);
            assert_eq!(hits(&answer), Vec::<Value>::new(), "{path}");
        }
        // What it may not see it does not wipe out either.
        let before: Kept<Person> = kept(&clinic.store, &ada.id);
        let record = json!({ "names": ["Ada Invented"], "phone": "5550199-2" });
        let changed = clinic.web.send("PUT", &contact, token, json!({ "version": before.version, "record": record }));
        nothing_clinical(&changed.is(200, &contact).json(), &contact);
        let after: Kept<Person> = kept(&clinic.store, &ada.id);
        assert_eq!((&after.record.note, &after.record.consents), (&before.record.note, &before.record.consents));
        assert_eq!(after.record.phone, "5550199-2");
        // Nor does it slip something in.
        let record = json!({ "names": ["Ada Invented"], "allergies": ["cinnamon"] });
        clinic
            .web
            .send("PUT", &contact, token, json!({ "version": after.version, "record": record }))
            .is(400, &contact);
        let taken =
            clinic.web.send("POST", "/people", token, json!({ "names": ["Eda Invented"] })).is(201, "take-in").json();
        nothing_clinical(&taken, "take-in");
        let id = taken["id"].as_str().unwrap().to_string();
        assert!(!clinic.store.read(|db| -> Result<_, StoreError> { cares(db, "f.fir", &id) }).unwrap());
    });
}

#[test]
fn a_practitioner_finds_of_others_no_more_than_their_names() {
    both(|ground| {
        let clinic = Clinic::new(ground);
        for (who, mine, other) in [("p.one", 0, 1), ("p.two", 1, 0)] {
            let (token, mine, other) = (clinic.token(who), &clinic.people[mine], &clinic.people[other]);
            for words in [SAID, KNOWN, DRAFT, ORDERED, AGREED, "Gui+Zhi"] {
                let path = format!("/search?q={words}");
                let found = hits(&clinic.web.read(&path, token).is(200, &path));
                // Whether one's own people are found by what they suffer from is left open here.
                assert!(words == KNOWN || !found.is_empty(), "{who} {path}");
                let foreign: Vec<&Value> = found.iter().filter(|h| h["person"] != mine.id.as_str()).collect();
                assert!(foreign.is_empty(), "{who} {path}: {foreign:?}");
            }
            let found = hits(&clinic.web.read(&format!("/search?q={NAME}"), token));
            let foreign: Vec<&str> = found
                .iter()
                .filter(|h| h["person"] == other.id.as_str())
                .map(|h| h["kind"].as_str().unwrap())
                .collect();
            assert_eq!(foreign, ["person"], "{who}");
            let due = clinic.web.read("/due", token).is(200, "due").json();
            let people: Vec<&str> = due.as_array().unwrap().iter().map(|a| a["person"].as_str().unwrap()).collect();
            assert_eq!(people, [mine.id.as_str()], "{who}");
        }
        let due = clinic.web.read("/due", clinic.token("f.fir")).is(200, "due").json();
        assert_eq!(due.as_array().unwrap().len(), 2);
        // With a reason somebody comes into one's care, and that stands in the chain.
        let bela = &clinic.people[1];
        let path = format!("/people/{}/care", bela.id);
        for why in ["", "  "] {
            clinic.web.send("POST", &path, clinic.token("p.one"), json!({ "why": why })).is(422, "no reason");
        }
        let carers = clinic
            .web
            .send("POST", &path, clinic.token("p.one"), json!({ "why": "stands in for p.two" }))
            .is(200, &path);
        assert_eq!(carers.json(), json!(["p.two", "p.one"]));
        clinic.web.read(&format!("/people/{}", bela.id), clinic.token("p.one")).is(200, "in care");
        let chain =
            clinic.web.read(&format!("/audit?person={}", bela.id), clinic.token("a.oak")).is(200, "chain").json();
        let taken =
            |l: &&Value| l["what"] == "took into care" && l["about"].as_str().unwrap().contains("stands in for p.two");
        assert!(chain.as_array().unwrap().iter().any(|l| taken(&l)), "{chain:#}");
    });
}

#[test]
fn a_student_learns_from_whom_it_was_agreed_with_and_learns_no_name() {
    both(|ground| {
        let clinic = Clinic::new(ground);
        let answer = clinic.web.read("/cases", clinic.token("s.elm")).is(200, "cases");
        answer.shows_none_of(&ALL_WORDS, "cases");
        for of in &clinic.people {
            answer.shows_none_of(&of.ids(), "cases");
        }
        let said = answer.json();
        // Of the two only one agreed.
        assert_eq!(said["cases"].as_array().unwrap().len(), 1, "{said:#}");
        let case = &said["cases"][0];
        assert_eq!((case["visits"].as_array().unwrap().len(), case["prescriptions"].as_array().unwrap().len()), (2, 2));
        let keys = keys(case);
        for key in [
            "name",
            "names",
            "full_name",
            "born",
            "number",
            "phone",
            "email",
            "address",
            "id",
            "person",
            "by",
            "note",
            "notes",
        ] {
            assert!(!keys.contains(key), "{key}: {case:#}");
        }
        for key in ["complaint", "tongue", "pulse", "reasoning", "plan", "title", "directions", "written", "on"] {
            assert!(!keys.contains(key), "{key}: {case:#}");
        }
        let next = said["next"].as_i64().unwrap();
        let more = clinic.web.read(&format!("/cases?after={next}"), clinic.token("s.elm")).is(200, "more").json();
        assert_eq!(more["cases"], json!([]));
        // Whoever takes it back is not shown any more.
        let mut ada: Kept<Person> = kept(&clinic.store, &clinic.people[0].id);
        ada.record.consents[0].given = false;
        let body = json!({ "version": ada.version, "record": ada.record });
        clinic.web.send("PUT", &format!("/people/{}", ada.id), clinic.token("p.one"), body).is(200, "taken back");
        let none = clinic.web.read("/cases", clinic.token("s.elm")).is(200, "cases").json();
        assert_eq!(none["cases"], json!([]));
    });
}

#[test]
fn sessions_end_and_tries_are_limited() {
    both(|ground| {
        let store = ground.open();
        let web = Served::start(store.clone());
        let one = caller(&store, "p.one", Role::Practitioner);
        caller(&store, "p.two", Role::Practitioner);
        let begun = web.log_in("p.one", PASSWORD, None).is(201, "log-in").json();
        assert_eq!(
            begun["account"],
            json!({
                "id": "p.one", "role": "practitioner", "full_name": "Account Madeup", "second_factor": false, "closed": false
            })
        );
        let token = begun["token"].as_str().unwrap();
        web.read("/session", token).is(200, "session");
        web.ask("DELETE", "/session", Some(token), &Sent::Nothing).is(204, "log-out");
        web.read("/session", token).is(401, "after log-out");
        web.ask("DELETE", "/session", Some(token), &Sent::Nothing).is(401, "log-out again");
        // The token is nowhere in the store.
        let rows = store.read(|db| -> Result<_, StoreError> { db.query("select token from session", &[]) }).unwrap();
        assert!(rows.into_iter().all(|mut r| r.text(0) != one.token));
        web.read("/session", &one.token).is(200, "the other session");
        // A new password ends the other sessions.
        let other = enter(&store, "p.one");
        let put =
            |old: &str, new: &str| web.send("PUT", "/session/password", &one.token, json!({ "old": old, "new": new }));
        assert_eq!(put("not the one", "eight noisy herons").is(422, "wrong old password").problem(), "refused");
        assert_eq!(put(PASSWORD, "short").is(422, "short").problem(), "not-sensible");
        put(PASSWORD, "eight noisy herons").is(204, "new password");
        web.read("/session", &other).is(401, "the other session");
        web.read("/session", &one.token).is(200, "the session");
        web.log_in("p.one", "eight noisy herons", None).is(201, "new password");
        // An account that is not there looks like a wrong password.
        let (wrong, unknown) = (web.log_in("p.one", PASSWORD, None), web.log_in("p.nobody", PASSWORD, None));
        assert_eq!((wrong.status, wrong.body), (401, unknown.body));
        for n in 2..=5 {
            let answer = web.log_in("p.one", "no such password", None).is(401, &format!("try {n}"));
            assert_eq!(answer.problem(), "refused");
        }
        for password in ["no such password", "eight noisy herons"] {
            let answer = web.log_in("p.one", password, None).is(429, "after five tries");
            assert_eq!(answer.problem(), "too-many-tries");
            let wait: u64 = answer.header("retry-after").parse().unwrap();
            assert!((1..=900).contains(&wait), "{wait}");
            assert_eq!(answer.json()["wait"], wait);
        }
        web.log_in("p.two", PASSWORD, None).is(201, "somebody else");
        web.read("/session", &one.token).is(200, "who is in stays in");
        let tries: Vec<Noted> =
            noted_after(&store, 0).into_iter().filter(|l| l.what == "was refused" && l.who == "p.one").collect();
        assert_eq!(tries.len(), 5, "{tries:?}");
    });
}

#[test]
fn a_second_factor_is_asked_for_and_a_code_counts_once() {
    both(|ground| {
        let store = ground.open();
        let web = Served::start(store.clone());
        let one = caller(&store, "p.one", Role::Practitioner);
        let put = |code: &str| web.send("PUT", "/session/second-factor", &one.token, json!({ "code": code }));
        assert_eq!(put("000000").is(409, "nothing begun").problem(), "nothing-to-confirm");
        let begun = web.ask("POST", "/session/second-factor", Some(&one.token), &Sent::Nothing).is(201, "begin").json();
        let secret = begun["secret"].as_str().unwrap();
        assert!(begun["uri"].as_str().unwrap().contains(secret), "{begun}");
        // It does not count before it is confirmed.
        web.log_in("p.one", PASSWORD, None).is(201, "not confirmed yet");
        put("no code").is(422, "a wrong code");
        put(&code(secret, 0)).is(204, "confirm");
        assert_eq!(web.log_in("p.one", PASSWORD, None).is(401, "without code").problem(), "code-wanted");
        assert_eq!(web.log_in("p.one", PASSWORD, Some("abcdef")).is(401, "wrong code").problem(), "code-refused");
        // The next one: that of now was used to confirm.
        let next = code(secret, 1);
        let token = web.log_in("p.one", PASSWORD, Some(&next)).is(201, "with code").json()["token"].clone();
        let token = token.as_str().unwrap();
        assert_eq!(web.log_in("p.one", PASSWORD, Some(&next)).is(401, "the same code again").problem(), "code-refused");
        assert_eq!(web.log_in("p.one", "not the one", Some(&next)).is(401, "wrong password").problem(), "refused");
        // A new one cannot be begun over it, nor is it taken away without a code.
        let again = web.ask("POST", "/session/second-factor", Some(token), &Sent::Nothing);
        assert_eq!(again.is(409, "begin again").problem(), "nothing-to-confirm");
        let removal = json!({ "code": next });
        web.send("POST", "/session/second-factor/removal", token, removal).is(422, "a used code");
        let me = web.read("/session", token).is(200, "session").json();
        assert_eq!(me["account"]["second_factor"], true);
        accounts::recover(&store, "p.one", PASSWORD).unwrap();
        web.log_in("p.one", PASSWORD, None).is(201, "recovered on the machine itself");
    });
}

/// Sends the beginning of a body that is said to be two megabytes long, and gives the line that is answered.
fn two_megabytes(at: SocketAddr, token: &str) -> String {
    let mut stream = TcpStream::connect(at).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
    let head = format!(
        "POST /people HTTP/1.1\r\nHost: {at}\r\nAuthorization: Bearer {token}\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n",
        2 << 20
    );
    stream.write_all(head.as_bytes()).unwrap();
    // No more than it takes: what is never read would cut the answer off.
    stream.write_all(&vec![b' '; (1 << 20) + 1]).unwrap();
    let mut line = [0; 12];
    stream.read_exact(&mut line).unwrap();
    String::from_utf8_lossy(&line).into_owned()
}

#[test]
fn what_is_wrong_with_a_request_is_said() {
    both(|ground| {
        let clinic = Clinic::new(ground);
        let (web, token, ada) = (&clinic.web, clinic.token("p.one"), &clinic.people[0]);
        let raw =
            |media: &'static str, text: &str| web.ask("POST", "/people", Some(token), &Sent::Bytes(media, text.into()));
        for text in [
            "{\"names\": [\"Fay Invented\"",
            "",
            "[",
            "{\"names\": [\"Fay Invented\"]} x",
            "\u{feff}{}",
            "{\"names\": [7]}",
        ] {
            let answer = raw("application/json", text).is(400, text);
            assert_eq!(answer.problem(), "not-understood");
            let detail = answer.json()["detail"].as_str().unwrap().to_string();
            assert!(detail.contains("line 1 column"), "{detail}");
        }
        let answer =
            raw("application/json", "{\"names\": [\"Fay Invented\"],\n \"nmaes\": []}").is(400, "an unknown field");
        assert!(answer.text().contains("nmaes") && answer.text().contains("line 2"), "{}", answer.text());
        raw("application/json; charset=utf-8", "{\"names\": [\"Fay Invented\"]}").is(201, "with a character set");
        for media in ["text/plain", "application/x-www-form-urlencoded", "application/merge-patch+json"] {
            assert_eq!(raw(media, "{\"names\": [\"Fay Invented\"]}").is(415, media).problem(), "media-type");
        }
        web.ask("POST", "/people", Some(token), &Sent::Nothing).is(415, "no media type");
        assert_eq!(two_megabytes(web.at, token), "HTTP/1.1 413");
        for (path, says) in [
            ("/search?q=a&colour=red", "colour"),
            ("/search", "`q`"),
            ("/search?q=a&q=b", "twice"),
            ("/search?q=%zz", "percent-encoded"),
            ("/search?q=%00", "percent-encoded"),
            ("/search?q=a&kind=dragon", "dragon"),
            ("/due?by=tomorrow", "tomorrow"),
            ("/due?by=2026-02-30", "2026-02-30"),
            ("/cases?most=0", "most"),
            ("/cases?after=-1", "after"),
        ] {
            let answer = web.read(path, token).is(400, path);
            assert_eq!(answer.problem(), "not-understood");
            assert!(answer.text().contains(says), "{path}: {}", answer.text());
        }
        let (visit, rx) = (format!("/visits/{}", ada.visit), format!("/prescriptions/{}", ada.signed));
        let there: Kept<Visit> = kept(&clinic.store, &ada.visit);
        let change =
            |version: u32| web.send("PUT", &visit, token, json!({ "version": version, "record": there.record }));
        change(1).is(200, "the first change");
        let late = change(1).is(409, "a change on what was changed in between");
        assert_eq!(late.problem(), "changed");
        assert!(late.text().contains("version 2"), "{}", late.text());
        change(99).is(409, "a version that there is not");
        let again = web.send("PUT", &rx, token, json!({ "version": 2, "record": formula(ORDERED) }));
        assert_eq!(again.is(409, "what is signed").problem(), "signed");
        let again = web.send("POST", &format!("{rx}/signature"), token, json!({ "version": 2 }));
        assert_eq!(again.is(409, "signed again").problem(), "signed");
        let draft = format!("/prescriptions/{}", ada.draft);
        let early = web.send("POST", &format!("{draft}/withdrawal"), token, json!({ "why": "no reason" }));
        assert_eq!(early.is(409, "a draft is not withdrawn").problem(), "not-signed");
        // One of the eighteen pairs that do not go together: common practice, no source.
        let mut apart = formula(DRAFT);
        for name in ["Zhi Fu Zi", "Ban Xia"] {
            apart["items"].as_array_mut().unwrap().push(json!({ "name": name, "grams": "9" }));
        }
        let path = format!("/people/{}/prescriptions", ada.id);
        let made = web.send("POST", &path, token, apart).is(201, &path).json();
        let path = format!("/prescriptions/{}/signature", made["id"].as_str().unwrap());
        let stands = web.send("POST", &path, token, json!({ "version": 1 })).is(422, &path);
        assert_eq!(stands.problem(), "finding-stands");
        assert!(!stands.json()["findings"].as_array().unwrap().is_empty(), "{}", stands.text());
        let path = format!("/measures/{}/readings", ada.measure);
        let outside = web.send("POST", &path, token, json!({ "on": today().to_string(), "value": "11" }));
        assert_eq!(outside.is(422, &path).problem(), "not-sensible");
        let movement = json!({ "movement": { "use": { "dispensing": "x", "patient": "y" } } });
        web.send("POST", "/stock/movements", token, movement).is(422, "what is handed out is handed out");
    });
}

#[test]
fn a_picture_comes_back_as_it_was() {
    both(|ground| {
        let clinic = Clinic::new(ground);
        let (web, token, ada) = (&clinic.web, clinic.token("p.one"), &clinic.people[0]);
        let path = format!("/people/{}/attachments", ada.id);
        let send = |query: &str, media: &'static str, bytes: &[u8]| {
            web.ask("POST", &format!("{path}?{query}"), Some(token), &Sent::Bytes(media, bytes.to_vec()))
        };
        // Bytes behind the end, zeros and high ones among them: all of it is kept.
        let mut bytes = PNG.to_vec();
        bytes.extend((0..300_000_u32).map(|n| (n % 256) as u8));
        let about = format!("on=2026-03-05&shows=tongue&title={}&visit={}", "%E8%88%8C+1", ada.visit);
        let made = send(&about, "image/png", &bytes).is(201, "attach").json();
        assert_eq!(
            (&made["record"]["title"], &made["record"]["bytes"], &made["record"]["on"]),
            (&json!("舌 1"), &json!(bytes.len()), &json!("2026-03-05"))
        );
        let back = web.read(&format!("/attachments/{}", made["id"].as_str().unwrap()), token).is(200, "bytes");
        assert_eq!(back.header("content-type"), "image/png");
        assert!(back.body == bytes, "{} bytes came back", back.body.len());
        let list = web.read(&format!("{path}?shows=tongue"), token).is(200, "list").json();
        let ids: Vec<&str> = list["pictures"].as_array().unwrap().iter().map(|p| p["id"].as_str().unwrap()).collect();
        assert!(ids.contains(&made["id"].as_str().unwrap()), "{list:#}");
        let none = web.read(&format!("{path}?shows=document"), token).is(200, "list").json();
        assert_eq!(none["pictures"], json!([]));
        for (media, bytes) in [
            ("image/png", &b"<script>alert(1)</script>"[..]),
            ("image/png", b""),
            ("image/jpeg", &PNG),
            ("text/html", b"<p>hello</p>"),
            ("image/svg+xml", b"<svg/>"),
        ] {
            assert_eq!(send("shows=tongue", media, bytes).is(415, media).problem(), "media-type");
        }
        send("shows=dragon", "image/png", &PNG).is(400, "dragon");
        let foreign = format!("visit={}", clinic.people[1].visit);
        send(&foreign, "image/png", &PNG).is(404, "a visit of somebody else");
    });
}

fn refs<'a>(value: &'a Value, into: &mut Vec<&'a str>) {
    match value {
        Value::Object(map) => {
            if let Some(Value::String(to)) = map.get("$ref") {
                into.push(to);
            }
            map.values().for_each(|v| refs(v, into));
        }
        Value::Array(list) => list.iter().for_each(|v| refs(v, into)),
        _ => {}
    }
}

#[test]
fn the_description_has_every_route_and_every_shape() {
    let described: Value = serde_json::from_str(&fangwright_web::openapi_json()).unwrap();
    assert_eq!(described["openapi"], "3.1.0");
    let mut operations = 0;
    for methods in described["paths"].as_object().unwrap().values() {
        operations += methods.as_object().unwrap().len();
    }
    let all = routes::table();
    assert_eq!(operations, all.len());
    for route in &all {
        let operation = &described["paths"][route.path][route.method.word().to_lowercase()];
        assert_eq!(operation["operationId"], route.id);
        assert!(operation["responses"][route.gives.0.to_string()].is_object(), "{}", route.id);
        for status in ["401", "400"] {
            assert!(operation["responses"][status].is_object(), "{} {status}", route.id);
        }
        let described: BTreeSet<&str> =
            operation["parameters"].as_array().unwrap().iter().map(|p| p["name"].as_str().unwrap()).collect();
        let wanted: BTreeSet<&str> = route.parts().into_iter().chain(route.query.iter().map(|q| q.name)).collect();
        assert_eq!(described, wanted, "{}", route.id);
        assert_eq!(operation["security"] == json!([]), OPEN.contains(&route.id), "{}", route.id);
    }
    let mut all = Vec::new();
    refs(&described, &mut all);
    assert!(all.len() > 50, "{}", all.len());
    for to in all {
        let pointer = to.strip_prefix('#').unwrap_or_else(|| panic!("{to} leads elsewhere"));
        assert!(described.pointer(pointer).is_some(), "{to} leads nowhere");
    }
    let ground = Ground::file();
    let store = ground.open();
    let one = caller(&store, "s.elm", Role::Student);
    let web = Served::start(store);
    assert_eq!(web.read("/openapi.json", &one.token).is(200, "openapi").json(), described);
}

#[test]
fn it_stops_when_told_and_what_was_acknowledged_is_kept() {
    both(|ground| {
        let store = ground.open();
        let token = caller(&store, "p.one", Role::Practitioner).token;
        // The service has the one and only handle on the store.
        let mut web = Served::start(store);
        let made = web.send("POST", "/people", &token, json!({ "names": ["Gus Invented"] })).is(201, "take-in").json();
        web.end().expect("the service panicked at its end").unwrap();
        let there: Kept<Person> = kept(&ground.open(), made["id"].as_str().unwrap());
        assert_eq!(there.record.name(), "Gus Invented");
    });
}
