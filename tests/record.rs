//! The record from the command line, as its owner uses it.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::io::Write;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::process::{Output, Stdio};

use fangwright_checks::binary::{Folder, fangwright};
use fangwright_checks::invented;
use fangwright_clinic::record::{people_after, whole};
use fangwright_clinic::search::quietly;
use fangwright_clinic::{Lore, Place, Store, fhir};
use fangwright_materia::Materia;

fn clinic(store: &Path, words: &[&str], input: &str) -> Output {
    let mut child = fangwright()
        .arg("clinic")
        .arg("--store")
        .arg(store)
        .args(words)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(input.as_bytes()).unwrap();
    child.wait_with_output().unwrap()
}

fn good(store: &Path, words: &[&str], input: &str) -> String {
    let done = clinic(store, words, input);
    assert!(done.status.success(), "{words:?}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).unwrap()
}

fn lore() -> &'static Lore {
    static LORE: std::sync::OnceLock<&'static Lore> = std::sync::OnceLock::new();
    LORE.get_or_init(|| Lore::new(Materia::embedded()))
}

fn filled(path: &Path, visits: usize) -> Vec<String> {
    let store = Store::open(&Place::File(path.into()), lore()).unwrap();
    invented::fill(&store, visits, |_| {});
    let people = store.read(|db| people_after(db, 0, 10_000)).unwrap();
    people.into_iter().map(|p| p.1).collect()
}

#[test]
fn a_sealed_backup_a_restore_and_what_tampering_looks_like() {
    let folder = Folder::new("record-backup", &[]);
    let path = |name: &str| PathBuf::from(folder.path()).join(name);
    let text = |name: &str| path(name).display().to_string();
    let store = path("clinic.sqlite");
    let people = filled(&store, 120);
    let said = good(&store, &["backup-key", &text("key.txt")], "");
    let public = said.split_whitespace().find(|w| w.starts_with("age1")).unwrap().to_string();
    let made = good(&store, &["backup", &text("one.backup"), "--for", &public], "");
    assert!(made.contains("sealed") && !made.contains("NOT sealed"), "{made}");
    let anchor = made.lines().find_map(|l| l.strip_prefix("Anchor of the chain: ")).unwrap().to_string();
    good(&store, &["audit", "verify", "--anchor", &anchor], "");
    // Sealed, it opens with the key only.
    let other = path("other.sqlite");
    let locked = clinic(&other, &["restore", &text("one.backup")], "");
    assert!(!locked.status.success() && String::from_utf8_lossy(&locked.stderr).contains("sealed"));
    good(&other, &["restore", &text("one.backup"), "--key", &text("key.txt")], "");
    let (a, b) =
        (Store::open(&Place::File(store.clone()), lore()).unwrap(), Store::open(&Place::File(other), lore()).unwrap());
    for id in people.iter().take(5) {
        assert_eq!(a.read(|db| whole(db, id)).unwrap(), b.read(|db| whole(db, id)).unwrap());
    }
    drop((a, b));
    // A passphrase from standard input.
    let made = good(&store, &["backup", &text("two.backup"), "--passphrase", "-"], "some words for the test\n");
    assert!(made.contains("sealed"), "{made}");
    let wrong = clinic(&path("third.sqlite"), &["restore", &text("two.backup"), "--passphrase", "-"], "other words\n");
    assert!(!wrong.status.success() && !path("third.sqlite").exists());
    // What was changed behind the program's back is named, with exit code 3.
    let mut db = fangwright_clinic::Conn::open(&Place::File(store.clone()), false).unwrap();
    let changed = db.execute(
        "update record set body = replace(body, '\"plan\"', '\"plan\" ') where kind = 'visit' and n < 40",
        &[],
    );
    assert!(changed.unwrap() > 0);
    let bad = clinic(&store, &["audit", "verify"], "");
    assert_eq!(bad.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&bad.stdout).contains("NOT AS WRITTEN  visit"));
    // In a folder, old backups are discarded.
    std::fs::create_dir(path("nightly")).unwrap();
    for day in ["2019-03-01", "2019-03-02", "2026-11-20"] {
        std::fs::write(path("nightly").join(format!("{day}T030000.fangwright-backup")), "").unwrap();
    }
    let said = good(&store, &["backup", &text("nightly"), "--discard", "--keep", "0,2,0,0,0"], "");
    assert!(said.contains("Discarded: 2019-03-01") && said.contains("NOT sealed"), "{said}");
}

#[test]
fn given_away_and_taken_in_again() {
    let folder = Folder::new("record-exchange", &[]);
    let path = |name: &str| PathBuf::from(folder.path()).join(name);
    let text = |name: &str| path(name).display().to_string();
    let store = path("clinic.sqlite");
    let people = filled(&store, 300);
    good(&store, &["export", "fhir", "--into", &text("all.json")], "");
    let other = path("other.sqlite");
    let said = good(&other, &["import", &text("all.json")], "");
    assert!(said.starts_with(&format!("{} people", people.len())), "{said}");
    assert!(!said.contains("NOT TAKEN OVER"), "{said}");
    let (a, b) = (
        Store::open(&Place::File(store.clone()), lore()).unwrap(),
        Store::open(&Place::File(other.clone()), lore()).unwrap(),
    );
    for id in &people {
        assert_eq!(a.read(|db| whole(db, id)).unwrap(), b.read(|db| whole(db, id)).unwrap());
    }
    assert!(b.verify(None, &mut quietly).unwrap().whole());
    drop((a, b));
    // A second time nothing is touched.
    let again = good(&other, &["import", &text("all.json")], "");
    assert!(again.starts_with("0 people and 0 records are taken in"), "{again}");
    // Tables without names, in both forms.
    for form in ["csv", "parquet"] {
        let said = good(&store, &["export", "research", &text("tables"), "--form", form, "--key", &text("key")], "");
        assert!(said.contains("without consent"), "{said}");
    }
    // One person, on paper and as JSON.
    good(
        &store,
        &["person", &people[0], "--pdf", &text("one.pdf"), "--into", &text("one.json"), "--course", &text("one.svg")],
        "",
    );
    assert!(std::fs::read(path("one.pdf")).unwrap().starts_with(b"%PDF"));
    assert!(std::fs::read_to_string(path("one.svg")).unwrap().starts_with("<svg"));
    let json: fangwright_clinic::model::Whole =
        serde_json::from_slice(&std::fs::read(path("one.json")).unwrap()).unwrap();
    assert_eq!(json.person.id, people[0]);
    let refused = clinic(&store, &["erase", &people[0], "--why", "asked"], "");
    assert!(!refused.status.success() && String::from_utf8_lossy(&refused.stderr).contains("law"));
    good(&store, &["erase", &people[0], "--why", "asked by letter", "--law-keeps", "10"], "");
    good(&store, &["audit", "verify"], "");
}

#[test]
fn long_work_is_stopped_without_harm_and_goes_on() {
    let folder = Folder::new("record-stopped", &[]);
    let path = |name: &str| PathBuf::from(folder.path()).join(name);
    let store = path("clinic.sqlite");
    let people = filled(&store, 300);
    let from = Store::open(&Place::File(store), lore()).unwrap();
    let wholes: Vec<_> = people.iter().map(|id| from.read(|db| whole(db, id)).unwrap()).collect();
    let names = Default::default();
    let outgoing = fhir::Outgoing {
        m: lore().materia(),
        wholes: &wholes,
        names: &names,
        blobs: &|_| None,
        at: jiff::Timestamp::UNIX_EPOCH,
    };
    let bundle = fhir::bundle(&outgoing);
    let incoming = || fhir::read(lore().materia(), &bundle).unwrap();
    let to = Store::open(&Place::File(path("to.sqlite")), lore()).unwrap();
    let mut seven = |_: &str, done: u64| if done < 7 { ControlFlow::Continue(()) } else { ControlFlow::Break(()) };
    let stopped = to.take_in(incoming(), "owner", &mut seven).unwrap_err();
    assert!(stopped.to_string().contains("stopped as asked after 7 people"), "{stopped}");
    assert!(to.verify(None, &mut quietly).unwrap().whole());
    let rest = to.take_in(incoming(), "owner", &mut quietly).unwrap();
    assert_eq!((rest.people as usize, rest.there.len()), (people.len() - 7, 7));
    for w in &wholes {
        assert_eq!(&to.read(|db| whole(db, &w.person.id)).unwrap(), w);
    }
    // The search, stopped halfway, still finds everything.
    let found = |store: &Store| {
        let sight = fangwright_clinic::search::Sight { everything: true, ..Default::default() };
        wholes.iter().filter(|w| !store.search(w.person.record.name(), &sight, None).unwrap().is_empty()).count()
    };
    let before = found(&to);
    assert_eq!(before, wholes.len());
    let mut at_once = |_: &str, _: u64| ControlFlow::Break(());
    assert!(to.reindex(&mut at_once).is_err());
    assert_eq!(found(&to), before);
    to.reindex(&mut quietly).unwrap();
    assert_eq!(found(&to), before);
}
