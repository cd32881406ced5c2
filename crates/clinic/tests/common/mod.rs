//! A store to test on, once in a SQLite file and once in PostgreSQL.
#![allow(clippy::unwrap_used, dead_code, reason = "a test that cannot go on fails; not every test uses all of it")]

use std::path::PathBuf;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};

use fangwright_clinic::model::{Person, Prescription, RxLine, Visit};
use fangwright_clinic::{Conn, Lore, Place, Store};
use fangwright_materia::Materia;
use fangwright_safety::Exact;
use jiff::civil::date;

pub fn lore() -> &'static Lore {
    static LORE: OnceLock<&'static Lore> = OnceLock::new();
    LORE.get_or_init(|| Lore::new(Materia::embedded()))
}

/// A place of its own for each test. It is taken away at the end.
pub struct Ground {
    pub place: Place,
    folder: PathBuf,
    schema: Option<(String, String)>,
}

static COUNT: AtomicU32 = AtomicU32::new(0);

fn mark() -> String {
    let nanos = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().subsec_nanos();
    format!("t{}_{}_{nanos}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed))
}

pub fn folder() -> PathBuf {
    let path = std::env::temp_dir().join(format!("fangwright-clinic-{}", mark()));
    std::fs::create_dir_all(&path).unwrap();
    path
}

/// The address of the server that `cargo xtask test` starts.
pub fn server() -> Option<String> {
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

pub fn file_ground() -> Ground {
    let folder = folder();
    Ground { place: Place::File(folder.join("clinic.sqlite")), folder, schema: None }
}

pub fn server_ground() -> Option<Ground> {
    let address = server()?;
    let schema = mark();
    Conn::open(&Place::Server(address.clone()), false).unwrap().batch(&format!("create schema {schema}")).unwrap();
    let place = Place::Server(format!("{address}?options=-csearch_path%3D{schema}"));
    Some(Ground { place, folder: folder(), schema: Some((address, schema)) })
}

impl Ground {
    pub fn folder(&self) -> &PathBuf {
        &self.folder
    }

    pub fn open(&self) -> Store {
        Store::open(&self.place, lore()).unwrap()
    }

    pub fn conn(&self) -> Conn {
        Conn::open(&self.place, false).unwrap()
    }
}

impl Drop for Ground {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
        if let Some((address, schema)) = &self.schema
            && let Ok(mut db) = Conn::open(&Place::Server(address.clone()), false)
        {
            let all = db
                .query("select nspname from pg_namespace where nspname like ?1", &[format!("{schema}%").into()])
                .unwrap_or_default();
            for mut row in all {
                let _ = db.batch(&format!("drop schema \"{}\" cascade", row.text(0)));
            }
        }
    }
}

/// Runs a test on both stores.
pub fn both(test: impl Fn(&Ground)) {
    test(&file_ground());
    if let Some(ground) = server_ground() {
        test(&ground);
    }
}

pub fn person(name: &str) -> Person {
    Person {
        names: vec![name.into()],
        born: Some(date(1980, 2, 3)),
        sex: Some(fangwright_clinic::model::Sex::Male),
        allergies: Some(Vec::new()),
        medicines: Some(Vec::new()),
        conditions: Some(Vec::new()),
        ..Person::default()
    }
}

pub fn visit(day: i8, complaint: &str) -> Visit {
    Visit {
        on: date(2026, 3, day),
        practitioner: "j.oake".into(),
        complaint: complaint.into(),
        notes: String::new(),
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

pub fn line(name: &str, grams: i32) -> RxLine {
    RxLine { name: name.into(), grams: Some(Exact(fangwright_amount::Rational::from(grams))), ..RxLine::default() }
}

/// A formula against wind-cold at usual doses.
pub fn prescription() -> Prescription {
    Prescription {
        on: date(2026, 3, 5),
        visit: None,
        title: "Gui Zhi Tang".into(),
        formula: Some("gui-zhi-tang".into()),
        items: vec![
            line("Gui Zhi", 9),
            line("Bai Shao", 9),
            line("Zhi Gan Cao", 6),
            line("Sheng Jiang", 9),
            line("Da Zao", 9),
        ],
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
