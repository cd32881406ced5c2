//! `clinic`: the clinic's record, on the machine it is on. What is done here is done by the owner of the machine, and stands in the chain
//! as such.

use std::io::{IsTerminal, Read, Write};
use std::net::TcpListener;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};

use clap::{Args, Subcommand};
use fangwright_clinic::accounts::{self, Role};
use fangwright_clinic::audit::Deed;
use fangwright_clinic::backup::{self, Made, Restored};
use fangwright_clinic::course::{Words, course, svg};
use fangwright_clinic::erase::Law;
use fangwright_clinic::model::{Appointment, Kept, Kind, Whole};
use fangwright_clinic::record::{self, by_state, whole};
use fangwright_clinic::research::{self, Options, Vocabulary};
use fangwright_clinic::retention::{Keep, to_discard};
use fangwright_clinic::seal::{self, Key, Lock};
use fangwright_clinic::search::{Hit, Sight, Taker};
use fangwright_clinic::verify::Verdict;
use fangwright_clinic::{Lore, Place, Store, fhir};
use fangwright_print::Press;
use fangwright_web::{Service, Settings};
use indicatif::{ProgressBar, ProgressStyle};
use jiff::Timestamp;

use crate::dispense::day_of;
use crate::output::ClinicAnswer;
use crate::render::{heading, pad};
use crate::run::{Failure, Session, out};

#[derive(Args)]
pub struct ClinicArgs {
    /// The record: a SQLite file, or `postgres://…` (default: `clinic.sqlite` in the data directory).
    #[arg(long, value_name = "PLACE", env = "FANGWRIGHT_STORE")]
    store: Option<String>,
    /// How the clinic wants it (TOML): [clinic] name, address, phone; laws; law_keeps_years; [pricing]; language.
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    #[command(subcommand)]
    act: Act,
}

#[derive(Subcommand)]
enum Act {
    /// Serve the record over HTTP until told to stop.
    Serve {
        /// Address and port. Put a proxy with TLS before it where it is reached from other machines.
        #[arg(long, default_value = "127.0.0.1:8467")]
        listen: String,
    },
    /// Print the OpenAPI 3.1 description of the service.
    Openapi,
    /// Make, list, recover, close accounts.
    Account {
        #[command(subcommand)]
        act: AccountAct,
    },
    /// Find records by words.
    Find {
        /// The words.
        words: Vec<String>,
        /// Only records of this kind: person, visit, prescription, dispensing, measure, reading, appointment, attachment.
        #[arg(long)]
        kind: Option<String>,
    },
    /// The whole record of a person.
    Person {
        /// Id of the person.
        id: String,
        /// Print it into this file (PDF).
        #[arg(long, value_name = "FILE")]
        pdf: Option<PathBuf>,
        /// Write it into this file (JSON).
        #[arg(long, value_name = "FILE")]
        into: Option<PathBuf>,
        /// Draw the course of the measures into this file (SVG).
        #[arg(long, value_name = "FILE")]
        course: Option<PathBuf>,
    },
    /// Who had a lot.
    WhoHad {
        /// Product of the book of stock.
        product: String,
        /// Number of the lot.
        lot: String,
        /// The day it may still be in use (default: today).
        #[arg(long, value_name = "DATE")]
        on: Option<String>,
    },
    /// Who has a signed prescription with a substance, in any processed form.
    WhoTakes {
        /// The substance, by any of its names.
        substance: Vec<String>,
        /// The day it may still be in use (default: today).
        #[arg(long, value_name = "DATE")]
        on: Option<String>,
    },
    /// Who is to come or to be called up to a day.
    Due {
        /// The day (default: today).
        #[arg(long, value_name = "DATE")]
        by: Option<String>,
    },
    /// The chain of what was read and written.
    Audit {
        #[command(subcommand)]
        act: AuditAct,
    },
    /// Make a backup while others work.
    Backup {
        /// A file, or a folder: then it is named by day and time.
        into: PathBuf,
        #[command(flatten)]
        seal: SealArgs,
        /// In the folder, discard backups that are not kept any more (see --keep).
        #[arg(long)]
        discard: bool,
        /// Which are kept: all of the last days, then the last of so many days, weeks, months, years.
        #[arg(long, value_name = "DAYS,DAILY,WEEKLY,MONTHLY,YEARLY", default_value = "7,31,13,24,10")]
        keep: String,
    },
    /// Make a key pair to seal backups with. The key file belongs elsewhere than the backups.
    BackupKey {
        /// The file for the secret key.
        into: PathBuf,
    },
    /// Restore a backup into a new store, verify it, and let it take the place of the old one.
    Restore {
        /// The backup.
        from: PathBuf,
        /// Where to (default: the store itself).
        #[arg(long, value_name = "PLACE")]
        to: Option<String>,
        /// Take the place of a store that is there; it is kept under another name.
        #[arg(long)]
        replace: bool,
        /// File with the key that it was sealed for.
        #[arg(long, value_name = "FILE")]
        key: Option<PathBuf>,
        /// File with the passphrase; `-` for standard input.
        #[arg(long, value_name = "FILE")]
        passphrase: Option<PathBuf>,
    },
    /// Make the search anew from the records.
    Reindex,
    /// Give records away.
    Export {
        #[command(subcommand)]
        act: ExportAct,
    },
    /// Take in a bundle of HL7 FHIR R4.
    Import {
        /// The file.
        file: PathBuf,
        /// An account that is to care for the people in it.
        #[arg(long, value_name = "ACCOUNT")]
        care: Option<String>,
    },
    /// Erase a person's record on request, keeping what the law demands.
    Erase {
        /// Id of the person; without one, what the law kept is erased where its time is over.
        person: Option<String>,
        /// Who asked for it, and why.
        #[arg(long, default_value = "")]
        why: String,
        /// Years that the law keeps prescriptions and what was handed out (0: nothing); or in the settings.
        #[arg(long, value_name = "YEARS")]
        law_keeps: Option<u8>,
    },
}

#[derive(Subcommand)]
enum AccountAct {
    /// Make an account. The password is read from standard input.
    Add {
        /// What it logs in with.
        id: String,
        /// practitioner, dispenser, student, front-desk or auditor.
        #[arg(long)]
        role: String,
        /// Name of whoever uses it.
        #[arg(long, default_value = "")]
        name: String,
    },
    /// List the accounts.
    List,
    /// Give an account a new password (from standard input) and take its second factor away.
    Recover {
        /// The account.
        id: String,
    },
    /// Close an account; its sessions end.
    Close {
        /// The account.
        id: String,
    },
    /// Open a closed account again.
    Open {
        /// The account.
        id: String,
    },
}

#[derive(Subcommand)]
enum AuditAct {
    /// Verify the chain, each record against it, attachments, signatures, and the search. Exit code 3: something is not as written.
    Verify {
        /// A link known from elsewhere, such as a backup: number and hash.
        #[arg(long, value_name = "NUMBER:HASH")]
        anchor: Option<String>,
    },
    /// List links.
    List {
        /// Only about this person.
        #[arg(long, value_name = "ID")]
        person: Option<String>,
        /// Only links behind this number.
        #[arg(long, default_value_t = 0)]
        after: i64,
        /// At most so many.
        #[arg(long, default_value_t = 100)]
        most: u32,
    },
}

#[derive(Subcommand)]
enum ExportAct {
    /// A bundle of HL7 FHIR R4.
    Fhir {
        /// Ids of people; all where none is given.
        people: Vec<String>,
        /// The file.
        #[arg(long, value_name = "FILE")]
        into: PathBuf,
    },
    /// Tables without names, for research: dates shifted, no free text, small cells suppressed.
    Research {
        /// The folder.
        into: PathBuf,
        /// csv or parquet.
        #[arg(long, default_value = "csv")]
        form: String,
        /// Groups smaller than this are suppressed.
        #[arg(long, default_value_t = research::USUAL_K)]
        least: u32,
        /// File with the key (64 hexadecimal digits) that case numbers and shifts are made with; made where there is none. Keep it from
        /// those who get the tables, or throw it away.
        #[arg(long, value_name = "FILE")]
        key: Option<PathBuf>,
    },
}

#[derive(Args)]
struct SealArgs {
    /// Seal it for this public key (`age1…`); may be given more than once.
    #[arg(long = "for", value_name = "KEY")]
    recipients: Vec<String>,
    /// Seal it with the passphrase in this file; `-` for standard input.
    #[arg(long, value_name = "FILE", conflicts_with = "recipients")]
    passphrase: Option<PathBuf>,
}

fn failed(e: impl std::fmt::Display) -> Failure {
    e.to_string().into()
}

/// The first line of a file or of standard input.
fn secret_from(path: &Path) -> Result<String, Failure> {
    let mut text = String::new();
    if path.as_os_str() == "-" {
        std::io::stdin().read_to_string(&mut text).map_err(failed)?;
    } else {
        text = std::fs::read_to_string(path).map_err(|e| format!("{} cannot be read: {e}", path.display()))?;
    }
    Ok(text.lines().next().unwrap_or_default().to_string())
}

fn password_from_input() -> Result<String, Failure> {
    if std::io::stdin().is_terminal() {
        eprint!("password (it is shown as you type; `< FILE` keeps it off the screen): ");
        let _ = std::io::stderr().flush();
        let mut line = String::new();
        std::io::stdin().read_line(&mut line).map_err(failed)?;
        return Ok(line.trim_end_matches(['\r', '\n']).to_string());
    }
    secret_from(Path::new("-"))
}

static STOP: AtomicBool = AtomicBool::new(false);

/// Shows how long work goes on, and stops it when the owner says so (Ctrl-C): what was kept stays, nothing is left half.
fn progress() -> impl FnMut(&str, u64) -> ControlFlow<()> {
    static ASKED: OnceLock<bool> = OnceLock::new();
    ASKED.get_or_init(|| ctrlc::set_handler(|| STOP.store(true, Ordering::Relaxed)).is_ok());
    let bar = ProgressBar::new_spinner();
    if let Ok(style) = ProgressStyle::with_template("{spinner} {msg}: {human_pos} ({per_sec}), {elapsed}; Ctrl-C stops")
    {
        bar.set_style(style);
    }
    move |what: &str, done: u64| {
        if bar.message() != what {
            bar.reset();
            bar.set_message(what.to_string());
        }
        bar.set_position(done);
        if STOP.load(Ordering::Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    }
}

fn place(given: Option<&String>) -> Result<Place, Failure> {
    if let Some(text) = given {
        return text.parse().map_err(|e: std::convert::Infallible| failed(e));
    }
    use etcetera::BaseStrategy;
    let folder = etcetera::choose_base_strategy().map_err(failed)?.data_dir().join("fangwright");
    std::fs::create_dir_all(&folder).map_err(|e| format!("{} cannot be made: {e}", folder.display()))?;
    Ok(Place::File(folder.join("clinic.sqlite")))
}

fn settings(path: Option<&PathBuf>) -> Result<Settings, Failure> {
    match path {
        None => Ok(Settings::default()),
        Some(path) => {
            toml::from_str(&crate::check::text_of(path)?).map_err(|e| format!("{}: {e}", path.display()).into())
        }
    }
}

/// Everything is seen from the machine itself.
fn sees_all() -> Sight {
    Sight { account: "owner".into(), everything: true, ..Sight::default() }
}

struct Here<'s> {
    s: &'s Session,
    store: Store,
    settings: Settings,
}

impl Here<'_> {
    fn say(&self, answer: ClinicAnswer, text: impl FnOnce() -> String) {
        if self.s.json {
            self.s.print("clinic", answer);
        } else {
            out(&text());
        }
    }

    /// Notes that something of many people was shown.
    fn note_all<'p>(&self, about: &str, people: impl IntoIterator<Item = &'p String>) -> Result<(), Failure> {
        let mut people: std::collections::BTreeSet<String> = people.into_iter().cloned().collect();
        let mut about = about.to_string();
        if people.len() > 200 {
            about = format!("{about} ({} people)", people.len());
            people.clear();
        }
        if people.is_empty() {
            people.insert(String::new());
        }
        self.store
            .write(move |tx| -> Result<(), fangwright_clinic::StoreError> {
                for person in people {
                    let deed = Deed::new(tx.now(), "owner", "read", about.clone()).of(&person);
                    tx.note(deed);
                }
                Ok(())
            })
            .map_err(failed)
    }

    fn note(&self, what: &str, about: impl Into<String>, person: &str) -> Result<(), Failure> {
        self.store.note(Deed::new(Timestamp::now(), "owner", what, about).of(person)).map_err(failed)
    }
}

/// Runs a `clinic` command. Exit code 3: something is not as it was written.
pub fn run(s: Session, args: ClinicArgs) -> Result<i32, Failure> {
    if matches!(args.act, Act::Openapi) {
        out(&fangwright_web::openapi_json());
        out("\n");
        return Ok(0);
    }
    if matches!(args.act, Act::Serve { .. }) {
        with_few_arenas();
    }
    let place = place(args.store.as_ref())?;
    let settings = settings(args.settings.as_ref())?;
    // The record keeps the materia medica for the whole life of the program.
    let s: &'static Session = Box::leak(Box::new(s));
    let lore = Lore::over(s.m());
    if let Act::Restore { from, to, replace, key, passphrase } = &args.act {
        return restore(s, lore, &place, from, to.as_ref(), *replace, key.as_ref(), passphrase.as_ref());
    }
    let store = Store::open(&place, lore).map_err(|e| format!("{place}: {e}"))?;
    if let Some(copy) = store.copy_kept() {
        eprintln!("The store was brought to the present form; what it was before is kept in {copy}.");
    }
    let here = Here { s, store, settings };
    match args.act {
        Act::Serve { listen } => serve(here, &listen, &place),
        Act::Account { act } => account(&here, act),
        Act::Find { words, kind } => find(&here, &words.join(" "), kind.as_deref()),
        Act::Person { id, pdf, into, course } => person(&here, &id, pdf, into, course),
        Act::WhoHad { product, lot, on } => {
            let day = day_of(on.as_deref())?;
            let takers = here.store.who_had(&product, &lot, day).map_err(failed)?;
            here.note_all(&format!("who had {product} {lot}"), takers.iter().map(|t| &t.person))?;
            here.say(ClinicAnswer { takers: Some(takers.clone()), ..ClinicAnswer::default() }, || takers_text(&takers));
            Ok(0)
        }
        Act::WhoTakes { substance, on } => {
            let (name, day) = (substance.join(" "), day_of(on.as_deref())?);
            let takers = here.store.who_takes(&name, day).map_err(failed)?;
            here.note_all(&format!("who takes {name}"), takers.iter().map(|t| &t.person))?;
            here.say(ClinicAnswer { takers: Some(takers.clone()), ..ClinicAnswer::default() }, || takers_text(&takers));
            Ok(0)
        }
        Act::Due { by } => due(&here, by.as_deref()),
        Act::Audit { act: AuditAct::Verify { anchor } } => audit_verify(&here, anchor.as_deref()),
        Act::Audit { act: AuditAct::List { person, after, most } } => audit_list(&here, person, after, most),
        Act::Backup { into, seal, discard, keep } => make_backup(&here, into, &seal, discard, &keep),
        Act::BackupKey { into } => backup_key(&here, &into),
        Act::Reindex => {
            let done = here.store.reindex(&mut progress()).map_err(failed)?;
            here.say(ClinicAnswer { records: Some(done), ..ClinicAnswer::default() }, || {
                format!("{done} records are found anew.\n")
            });
            Ok(0)
        }
        Act::Export { act } => export(&here, act),
        Act::Import { file, care } => import(&here, &file, care),
        Act::Erase { person, why, law_keeps } => erase(&here, person, why, law_keeps),
        Act::Openapi | Act::Restore { .. } => Ok(0),
    }
}

/// The allocator of glibc keeps a heap of its own for each thread, and gives little of it back: a service with fifty threads that mostly
/// wait took half as much memory again. How many heaps there are is read when a program starts, so it starts once more, as the same
/// process. Where this fails it goes on as it is.
fn with_few_arenas() {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    if std::env::var_os("MALLOC_ARENA_MAX").is_none()
        && let Ok(me) = std::env::current_exe()
    {
        use std::os::unix::process::CommandExt;
        let words = std::env::args_os().skip(1);
        let _ = std::process::Command::new(me).args(words).env("MALLOC_ARENA_MAX", "2").exec();
    }
}

fn serve(here: Here<'_>, listen: &str, place: &Place) -> Result<i32, Failure> {
    let listener = TcpListener::bind(listen)
        .map_err(|e| format!("nothing can be served on {listen}: {e}; choose another with --listen"))?;
    let at = listener.local_addr().map_err(failed)?;
    if here.store.read(accounts::all).map_err(failed)?.is_empty() {
        eprintln!("There is no account yet: `fangwright clinic account add ID --role practitioner` makes one.");
    }
    // Whoever asks first does not wait for the rules to be put together.
    let lore = here.store.lore();
    let _ = (lore.rules(), lore.for_search());
    println!("serving {place} on http://{at}");
    let _ = std::io::stdout().flush();
    let Here { store, settings, .. } = here;
    fangwright_web::serve(Service::new(store, settings), listener, fangwright_web::told_to_stop()).map_err(failed)?;
    Ok(0)
}

fn account(here: &Here<'_>, act: AccountAct) -> Result<i32, Failure> {
    let store = &here.store;
    let done = match act {
        AccountAct::Add { id, role, name } => {
            let role = Role::from_word(&role).ok_or_else(|| {
                let all: Vec<&str> = Role::ALL.iter().map(|r| r.word()).collect();
                format!("`{role}` is no role; the roles are {}", all.join(", "))
            })?;
            let password = password_from_input()?;
            accounts::add(store, &id, role, &name, &password).map_err(failed)?;
            format!("Account {id} is made ({}).\n", role.word())
        }
        AccountAct::List => {
            let all = store.read(accounts::all).map_err(failed)?;
            let mut text = String::new();
            for a in &all {
                let more = [(a.second_factor, "second factor"), (a.closed, "closed")];
                let more: Vec<&str> = more.iter().filter(|m| m.0).map(|m| m.1).collect();
                text.push_str(&format!(
                    "{} {} {} {}\n",
                    pad(&a.id, 20),
                    pad(a.role.word(), 14),
                    pad(&a.full_name, 30),
                    more.join(", ")
                ));
            }
            here.say(ClinicAnswer { accounts: Some(all), ..ClinicAnswer::default() }, || text);
            return Ok(0);
        }
        AccountAct::Recover { id } => {
            let password = password_from_input()?;
            accounts::recover(store, &id, &password).map_err(failed)?;
            format!("Account {id} has a new password and no second factor.\n")
        }
        AccountAct::Close { id } => {
            accounts::close(store, &id, true).map_err(failed)?;
            format!("Account {id} is closed.\n")
        }
        AccountAct::Open { id } => {
            accounts::close(store, &id, false).map_err(failed)?;
            format!("Account {id} is open.\n")
        }
    };
    let all = store.read(accounts::all).map_err(failed)?;
    here.say(ClinicAnswer { accounts: Some(all), ..ClinicAnswer::default() }, || done);
    Ok(0)
}

fn find(here: &Here<'_>, words: &str, kind: Option<&str>) -> Result<i32, Failure> {
    let kind = match kind {
        None => None,
        Some(word) => Some(Kind::from_word(word).ok_or_else(|| {
            let all: Vec<&str> = Kind::ALL.iter().map(|k| k.word()).collect();
            format!("`{word}` is no kind of record; the kinds are {}", all.join(", "))
        })?),
    };
    let hits = here.store.search(words, &sees_all(), kind).map_err(failed)?;
    here.note_all("find", hits.iter().map(|h| &h.person))?;
    here.say(ClinicAnswer { hits: Some(hits.clone()), ..ClinicAnswer::default() }, || hits_text(&hits));
    Ok(0)
}

fn hits_text(hits: &[Hit]) -> String {
    if hits.is_empty() {
        return "Nothing is found.\n".into();
    }
    let mut text = String::new();
    for h in hits {
        let slip = if h.slip { "  (taken for a slip)" } else { "" };
        text.push_str(&format!(
            "{} {} {} {}{slip}\n    {} {}\n",
            pad(h.kind.word(), 13),
            pad(h.day.as_deref().unwrap_or(""), 11),
            h.name,
            h.born.as_ref().map_or(String::new(), |b| format!("({b})")),
            h.id,
            h.line
        ));
    }
    text
}

fn takers_text(takers: &[Taker]) -> String {
    if takers.is_empty() {
        return "Nobody.\n".into();
    }
    let mut text = String::new();
    for t in takers {
        let name = if t.erased { "(record erased; the owner of the machine can reach them)" } else { &t.name };
        let grams = t.grams.map_or(String::new(), |g| format!("{} g", g.0.decimal(3)));
        let current = if t.current { "may still be in use" } else { "" };
        text.push_str(&format!(
            "{} {} {} {} {} {}\n    {} {}\n",
            pad(t.day.as_deref().unwrap_or(""), 11),
            pad(name, 24),
            pad(&t.phone, 16),
            pad(&t.what, 20),
            pad(&grams, 10),
            current,
            t.person,
            t.email
        ));
    }
    text
}

fn write(path: &Path, bytes: &[u8]) -> Result<(), Failure> {
    std::fs::write(path, bytes).map_err(|e| format!("{} cannot be written: {e}", path.display()).into())
}

fn printed(here: &Here<'_>, record: &Whole) -> Result<Vec<u8>, Failure> {
    let names = here.store.read(accounts::full_names).map_err(failed)?;
    let language = here.settings.language.as_deref().unwrap_or("en");
    let m = here.store.lore().materia();
    let picture = |id: &str| here.store.read(|db| record::bytes(db, id)).ok().map(|(_, data)| data);
    fangwright_web::record_pdf(&Press::default(), m, record, &names, &here.settings.clinic.name, language, &picture)
        .map_err(failed)
}

fn person(
    here: &Here<'_>,
    id: &str,
    pdf: Option<PathBuf>,
    into: Option<PathBuf>,
    chart: Option<PathBuf>,
) -> Result<i32, Failure> {
    let record = here.store.read(|db| whole(db, id)).map_err(failed)?;
    here.note("read", format!("whole record {id}"), id)?;
    let mut wrote = Vec::new();
    if let Some(path) = pdf {
        write(&path, &printed(here, &record)?)?;
        wrote.push(path);
    }
    if let Some(path) = into {
        write(&path, serde_json::to_string_pretty(&record).map_err(failed)?.as_bytes())?;
        wrote.push(path);
    }
    if let Some(path) = chart {
        write(&path, svg(&course(&record), &Words::default()).as_bytes())?;
        wrote.push(path);
    }
    here.say(ClinicAnswer { whole: Some(Box::new(record.clone())), ..ClinicAnswer::default() }, || {
        let mut text = whole_text(&record);
        for path in &wrote {
            text.push_str(&format!("Written: {}\n", path.display()));
        }
        text
    });
    Ok(0)
}

fn whole_text(w: &Whole) -> String {
    let p = &w.person.record;
    let mut text = heading(p.name());
    let born = p.born.map_or("birth date not known".into(), |b| format!("born {b}"));
    text.push_str(&format!(
        "{born}; {} visits, {} prescriptions, {} dispensings\n",
        w.visits.len(),
        w.prescriptions.len(),
        w.dispensings.len()
    ));
    let said = |list: &Option<Vec<String>>| match list {
        None => "not asked".to_string(),
        Some(l) if l.is_empty() => "none".into(),
        Some(l) => l.join(", "),
    };
    text.push_str(&format!("Allergies: {}\n", said(&p.allergies)));
    let medicines = p.medicines.as_ref().map(|all| all.iter().map(|m| m.name.clone()).collect());
    text.push_str(&format!("Medicines: {}\n", said(&medicines)));
    for v in &w.visits {
        text.push_str(&format!("\n{}  {}\n", v.record.on, v.record.complaint));
        for part in [&v.record.notes, &v.record.reasoning, &v.record.plan] {
            if !part.is_empty() {
                text.push_str(&format!("    {part}\n"));
            }
        }
        for rx in w.prescriptions.iter().filter(|rx| rx.record.visit.as_ref() == Some(&v.id)) {
            let names: Vec<&str> = rx.record.items.iter().map(|l| l.name.as_str()).collect();
            text.push_str(&format!("    {} [{}]: {}\n", rx.record.title, rx.record.state_word(), names.join(", ")));
        }
    }
    text
}

fn due(here: &Here<'_>, by: Option<&str>) -> Result<i32, Failure> {
    let day = day_of(by)?;
    let all: Vec<Kept<Appointment>> = here.store.read(|db| by_state(db, "planned", day, 10_000)).map_err(failed)?;
    here.note_all(&format!("who is due by {day}"), all.iter().map(|a| &a.person))?;
    let mut text = String::new();
    for a in &all {
        let name = here
            .store
            .read(|db| record::get::<fangwright_clinic::model::Person>(db, &a.person))
            .map(|p| format!("{}  {}", p.record.name(), p.record.phone))
            .unwrap_or_default();
        let time = a.record.at.map_or(String::new(), |t| t.strftime("%H:%M").to_string());
        text.push_str(&format!("{} {} {}  {}\n", a.record.on, pad(&time, 6), name, a.record.about));
    }
    if all.is_empty() {
        text.push_str("Nobody is due.\n");
    }
    here.say(ClinicAnswer { due: Some(all), ..ClinicAnswer::default() }, || text);
    Ok(0)
}

fn audit_verify(here: &Here<'_>, anchor: Option<&str>) -> Result<i32, Failure> {
    let anchor = match anchor {
        None => None,
        Some(text) => {
            let bad = || format!("`{text}` is no anchor; write NUMBER:HASH as a backup has said it");
            let (number, hash) = text.split_once(':').ok_or_else(bad)?;
            Some((number.parse::<u64>().map_err(|_| bad())?, hash))
        }
    };
    let mut progress = progress();
    let mut verdict = here.store.verify(anchor, &mut progress).map_err(failed)?;
    for id in fangwright_clinic::verify::lots_not_found(&here.store, &mut progress).map_err(failed)? {
        let what = "a recall would not find it; `clinic reindex` mends the search".into();
        verdict.tampered.push(fangwright_clinic::verify::Tampered { place: format!("dispensing {id}"), what });
    }
    let code = if verdict.whole() { 0 } else { 3 };
    here.say(ClinicAnswer { verdict: Some(verdict.clone()), ..ClinicAnswer::default() }, || verdict_text(&verdict));
    Ok(code)
}

fn verdict_text(v: &Verdict) -> String {
    let mut text = format!(
        "{} links of the chain, {} records, {} entries of stock and {} attachments are as they were written.\nAnchor: {}:{}\n",
        v.links, v.records, v.entries, v.attachments, v.links, v.head
    );
    for t in &v.tampered {
        text.push_str(&format!("NOT AS WRITTEN  {}: {}\n", t.place, t.what));
    }
    text
}

fn audit_list(here: &Here<'_>, person: Option<String>, after: i64, most: u32) -> Result<i32, Failure> {
    let sql = "select number, at, who, what, about from audit where number > ?1 and (person = ?2 or ?2 = '') order by number limit ?3";
    let params = [after.into(), person.unwrap_or_default().into(), most.into()];
    let rows = here.store.read(|db| db.query(sql, &params)).map_err(failed)?;
    let lines: Vec<String> = rows
        .into_iter()
        .map(|mut r| format!("{} {} {} {} {}", r.int(0), r.text(1), r.text(2), r.text(3), r.text(4)))
        .collect();
    here.say(ClinicAnswer { links: Some(lines.clone()), ..ClinicAnswer::default() }, || lines.join("\n") + "\n");
    Ok(0)
}

fn lock(seal: &SealArgs) -> Result<Option<Lock>, Failure> {
    if let Some(path) = &seal.passphrase {
        return Ok(Some(Lock::Passphrase(secret_from(path)?.into())));
    }
    Ok((!seal.recipients.is_empty()).then(|| Lock::Recipients(seal.recipients.clone())))
}

const ENDING: &str = ".fangwright-backup";

fn make_backup(here: &Here<'_>, into: PathBuf, seal: &SealArgs, discard: bool, keep: &str) -> Result<i32, Failure> {
    let folder = into.is_dir().then(|| into.clone());
    let path = match &folder {
        Some(folder) => folder.join(format!("{}{ENDING}", jiff::ZonedDateTime::now().strftime("%Y-%m-%dT%H%M%S"))),
        None => into,
    };
    let lock = lock(seal)?;
    let made: Made = here.store.backup(&path, lock.as_ref(), &mut progress()).map_err(failed)?;
    let mut gone = Vec::new();
    if discard {
        let Some(folder) = folder else { return Err("--discard needs a folder, not a file".to_string().into()) };
        gone = discard_old(&folder, keep)?;
    }
    here.say(ClinicAnswer { backup: Some(made.clone()), ..ClinicAnswer::default() }, || {
        let sealed = if made.sealed { "sealed" } else { "NOT sealed: whoever has the file can read it" };
        let mut text = format!(
            "{}: {} rows, {} bytes, {sealed}.\nAnchor of the chain: {}:{}\n",
            made.path, made.rows, made.bytes, made.links, made.head
        );
        for name in &gone {
            text.push_str(&format!("Discarded: {name}\n"));
        }
        text
    });
    Ok(0)
}

fn discard_old(folder: &Path, keep: &str) -> Result<Vec<String>, Failure> {
    let numbers: Vec<u32> = keep.split(',').filter_map(|n| n.trim().parse().ok()).collect();
    let [all_days, daily, weekly, monthly, yearly] = numbers[..] else {
        return Err(format!("`{keep}` is not five numbers; write --keep 7,31,13,24,10").into());
    };
    let keep = Keep { all_days, daily, weekly, monthly, yearly };
    let mut backups = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(failed)? {
        let name = entry.map_err(failed)?.file_name().to_string_lossy().into_owned();
        let Some(stem) = name.strip_suffix(ENDING) else { continue };
        if let Ok(at) = jiff::civil::DateTime::strptime("%Y-%m-%dT%H%M%S", stem) {
            backups.push((at, name));
        }
    }
    let gone = to_discard(&backups, jiff::ZonedDateTime::now().datetime(), &keep);
    for name in &gone {
        std::fs::remove_file(folder.join(name)).map_err(failed)?;
    }
    Ok(gone)
}

fn backup_key(here: &Here<'_>, into: &Path) -> Result<i32, Failure> {
    use fangwright_clinic::seal::ExposeSecret;
    if into.exists() {
        return Err(format!("{} is there already; a key is never written over", into.display()).into());
    }
    let (secret, public) = seal::fresh_key();
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(into).map_err(|e| format!("{} cannot be made: {e}", into.display()))?;
    file.write_all(secret.expose_secret().as_bytes()).map_err(failed)?;
    here.say(ClinicAnswer { public_key: Some(public.clone()), ..ClinicAnswer::default() }, || {
        format!("The secret key is in {}; keep it elsewhere than the backups: without it none of them opens.\nSeal backups with --for {public}\n", into.display())
    });
    Ok(0)
}

#[allow(clippy::too_many_arguments, reason = "they are the words of the command")]
fn restore(
    s: &Session,
    lore: &'static Lore,
    place: &Place,
    from: &Path,
    to: Option<&String>,
    replace: bool,
    key: Option<&PathBuf>,
    passphrase: Option<&PathBuf>,
) -> Result<i32, Failure> {
    let target = match to {
        Some(text) => text.parse().map_err(|e: std::convert::Infallible| failed(e))?,
        None => place.clone(),
    };
    let key = match (key, passphrase) {
        (Some(path), _) => {
            let text = std::fs::read_to_string(path).map_err(|e| format!("{} cannot be read: {e}", path.display()))?;
            Some(Key::Identities(text.into()))
        }
        (None, Some(path)) => Some(Key::Passphrase(secret_from(path)?.into())),
        (None, None) => None,
    };
    let done: Restored =
        backup::restore(from, key.as_ref(), &target, replace, lore, &mut progress()).map_err(failed)?;
    if s.json {
        s.print("clinic", ClinicAnswer { restored: Some(done), ..ClinicAnswer::default() });
    } else {
        out(&verdict_text(&done.verdict));
        if let Some(before) = done.before {
            out(&format!("What was there before is kept in {before}.\n"));
        }
        for person in done.back_again {
            out(&format!("ERASED BEFORE, AND BACK AGAIN: {person}; erase it again (clinic erase {person}).\n"));
        }
        out(&format!("{target} holds the backup now.\n"));
    }
    Ok(0)
}

fn export(here: &Here<'_>, act: ExportAct) -> Result<i32, Failure> {
    match act {
        ExportAct::Fhir { people, into } => {
            let mut wholes: Vec<Whole> = Vec::new();
            if people.is_empty() {
                here.store
                    .each_whole(&mut |w| {
                        wholes.push(w.clone());
                        ControlFlow::Continue(())
                    })
                    .map_err(failed)?;
            }
            for id in &people {
                wholes.push(here.store.read(|db| whole(db, id)).map_err(failed)?);
            }
            for w in &wholes {
                here.note("gave away", "FHIR bundle", &w.person.id)?;
            }
            let names = here.store.read(accounts::full_names).map_err(failed)?;
            let blobs = |id: &str| here.store.read(|db| record::bytes(db, id)).ok().map(|(_, data)| data);
            let m = here.store.lore().materia();
            let bundle = fhir::bundle(&fhir::Outgoing {
                m,
                wholes: &wholes,
                names: &names,
                blobs: &blobs,
                at: Timestamp::now(),
            });
            write(&into, serde_json::to_string_pretty(&bundle).map_err(failed)?.as_bytes())?;
            let count = wholes.len() as u64;
            here.say(ClinicAnswer { records: Some(count), ..ClinicAnswer::default() }, || {
                format!("{count} people are in {}. The file is not sealed and holds names.\n", into.display())
            });
        }
        ExportAct::Research { into, form, least, key } => {
            let key = research_key(key.as_deref())?;
            let options = Options { k: least, ..Options::new(key) };
            let vocabulary = Vocabulary::of(&fangwright_materia::Materia::embedded());
            let store = here.store.clone();
            let mut source = |see: &mut dyn FnMut(&Whole) -> ControlFlow<()>| -> Result<(), research::SourceError> {
                store.each_whole(see).map_err(Into::into)
            };
            let mut bar = progress();
            let mut progress = |done: u64| bar("people", done);
            let summary = match form.as_str() {
                "csv" => research::csv(&mut source, &vocabulary, &into, &options, &mut progress),
                "parquet" => research::parquet(&mut source, &vocabulary, &into, &options, &mut progress),
                other => return Err(format!("`{other}` is no form of tables; write csv or parquet").into()),
            }
            .map_err(failed)?;
            here.note("gave away", format!("research tables of {} people", summary.persons), "")?;
            let text = format!(
                "{} people, {} visits; {} left out without consent to research. Tables are in {}.\n",
                summary.persons,
                summary.visits,
                summary.left_out_no_consent,
                into.display()
            );
            here.say(ClinicAnswer { research: Some(summary), ..ClinicAnswer::default() }, || text);
        }
    }
    Ok(0)
}

fn research_key(path: Option<&Path>) -> Result<[u8; 32], Failure> {
    let mut key = [0; 32];
    if let Some(path) = path.filter(|p| p.exists()) {
        let text = std::fs::read_to_string(path).map_err(failed)?;
        let text = text.trim();
        let good = text.len() == 64 && text.is_ascii();
        for (i, byte) in key.iter_mut().enumerate() {
            let two = text.get(2 * i..2 * i + 2).filter(|_| good);
            *byte = two
                .and_then(|t| u8::from_str_radix(t, 16).ok())
                .ok_or_else(|| format!("{} does not hold 64 hexadecimal digits", path.display()))?;
        }
        return Ok(key);
    }
    getrandom::fill(&mut key).map_err(failed)?;
    if let Some(path) = path {
        write(path, key.iter().map(|b| format!("{b:02x}")).collect::<String>().as_bytes())?;
    }
    Ok(key)
}

fn import(here: &Here<'_>, file: &Path, care: Option<String>) -> Result<i32, Failure> {
    let text = std::fs::read_to_string(file).map_err(|e| format!("{} cannot be read: {e}", file.display()))?;
    let bundle = serde_json::from_str(&text).map_err(|e| format!("{}: {e}", file.display()))?;
    let incoming = fhir::read(here.store.lore().materia(), &bundle).map_err(|e| format!("{}: {e}", file.display()))?;
    let people: Vec<String> = incoming.wholes.iter().map(|w| w.person.id.clone()).collect();
    let done = here.store.take_in(incoming, "owner", &mut progress()).map_err(failed)?;
    if let Some(account) = care {
        for person in people.into_iter().filter(|p| !done.there.contains(p)) {
            let account = account.clone();
            here.store
                .write(move |tx| tx.take_into_care("owner", &account, &person, "taken in with a bundle"))
                .map_err(failed)?;
        }
    }
    here.say(ClinicAnswer { taken_in: Some(done.clone()), ..ClinicAnswer::default() }, || {
        let mut text = format!(
            "{} people and {} records are taken in; {} were there already.\n",
            done.people,
            done.records,
            done.there.len()
        );
        for l in &done.left {
            text.push_str(&format!("NOT TAKEN OVER  {}: {}\n", l.path, l.why));
        }
        text
    });
    Ok(0)
}

fn erase(here: &Here<'_>, person: Option<String>, why: String, law_keeps: Option<u8>) -> Result<i32, Failure> {
    let today = record::today();
    let Some(person) = person else {
        let count = here.store.write(move |tx| tx.erase_expired("owner", today)).map_err(failed)?;
        here.say(ClinicAnswer { records: Some(count), ..ClinicAnswer::default() }, || {
            format!("What was kept of {count} people is erased.\n")
        });
        return Ok(0);
    };
    let law = law_keeps.map(|years| Law { years }).or(here.settings.law()).ok_or_else(|| {
        "for how many years does the law keep prescriptions here? give --law-keeps YEARS, or set law_keeps_years in the settings".to_string()
    })?;
    let done = here.store.write(move |tx| tx.erase("owner", &person, law, today, &why)).map_err(failed)?;
    here.say(ClinicAnswer { erased: Some(done.clone()), ..ClinicAnswer::default() }, || {
        let mut text = String::new();
        for (kind, n) in &done.gone {
            text.push_str(&format!("Erased: {n} × {}\n", kind.word()));
        }
        for (kind, n) in &done.kept {
            text.push_str(&format!("Kept, sealed: {n} × {}\n", kind.word()));
        }
        if let Some(until) = done.until {
            text.push_str(&format!(
                "The law keeps these until {until}; `clinic erase` without a person erases them after that.\n"
            ));
        }
        text
    });
    Ok(0)
}
