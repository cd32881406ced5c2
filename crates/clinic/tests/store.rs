//! The store, in a SQLite file and in PostgreSQL: the same tests on both.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod common;

use common::{Ground, both, line, lore, person, prescription, visit};
use fangwright_amount::Rational;
use fangwright_clinic::accounts::{self, AccountError, Credentials, Role};
use fangwright_clinic::audit::{Deed, Link, verify};
use fangwright_clinic::backup::{self, BackupError};
use fangwright_clinic::erase::Law;
use fangwright_clinic::handing::Making;
use fangwright_clinic::model::{Answer, Attachment, Dispensing, Kept, Kind, Person, Prescription, Shows, Visit};
use fangwright_clinic::record::{self, case_input, get, list, patient_of, versions, whole};
use fangwright_clinic::search::{Sight, quietly};
use fangwright_clinic::{ClinicError, Place, Store, StoreError};
use fangwright_dispense::{Lot, Movement, Product, Sort};
use jiff::Timestamp;
use jiff::civil::{Date, date};
use proptest::prelude::*;

const DAY: Date = date(2026, 3, 5);

fn deed(n: usize) -> Deed {
    Deed::new(Timestamp::UNIX_EPOCH, &format!("account {}", n % 3), "read", format!("person {n}"))
}

proptest! {
    #[test]
    fn whatever_is_changed_is_found_and_located(length in 1usize..20, at in 0usize..20, how in 0usize..9) {
        let mut chain = vec![Link::next(0, "", deed(0))];
        for n in 1..length {
            let last = &chain[n - 1];
            chain.push(Link::next(last.number, &last.hash, deed(n)));
        }
        prop_assert_eq!(verify(&chain), Ok(length as u64));
        let at = at % length;
        match how {
            0 => chain[at].deed.who.push('x'),
            1 => chain[at].deed.what.push('x'),
            2 => chain[at].deed.about.push('x'),
            3 => chain[at].deed.person.push('x'),
            4 => chain[at].deed.content.push('x'),
            5 => chain[at].deed.at = Timestamp::MAX,
            6 => chain[at].hash.push('x'),
            7 => chain[at].before.push('x'),
            // The last one may be cut off: only an anchor shows that.
            _ if at + 1 < length => { chain.remove(at); }
            _ => return Ok(()),
        }
        let broken = verify(&chain).unwrap_err();
        prop_assert_eq!(broken.number, at as u64 + 1);
    }
}

fn sam(store: &Store) -> String {
    let made = store.write(|tx| tx.create("j.oake", None, person("Sam Invented"))).unwrap();
    let id = made.id.clone();
    store.write(move |tx| tx.take_into_care("j.oake", "j.oake", &id, "first visit")).unwrap();
    made.id
}

fn sees_all(account: &str) -> Sight {
    Sight { account: account.into(), all: vec![Kind::Person], own: Kind::ALL.to_vec(), ..Sight::default() }
}

#[test]
fn what_is_kept_comes_back_and_each_version_stays() {
    both(|ground| {
        let store = ground.open();
        let sam = sam(&store);
        let of = sam.clone();
        let first: Kept<Visit> =
            store.write(move |tx| tx.create("j.oake", Some(&of), visit(1, "cannot sleep"))).unwrap();
        let id = first.id.clone();
        let second = store.write(move |tx| tx.change("j.oake", &id, 1, visit(1, "cannot fall asleep"))).unwrap();
        assert_eq!(second.version, 2);
        let id = first.id.clone();
        let lost = store.write(move |tx| tx.change("j.oake", &id, 1, visit(1, "something else"))).unwrap_err();
        assert!(matches!(lost, ClinicError::Changed { given: 1, found: 2, .. }), "{lost}");
        drop(store);
        let store = ground.open();
        let all: Vec<Kept<Visit>> = store.read(|db| versions(db, &first.id)).unwrap();
        assert_eq!(all, [first.clone(), second]);
        let none = store.read(|db| get::<Visit>(db, "no-such-id")).unwrap_err();
        assert!(matches!(none, ClinicError::NotFound { .. }), "{none}");
        // Nothing is kept of somebody who is not there.
        let nobody = store.write(|tx| tx.create("j.oake", Some("nobody"), visit(2, "x"))).unwrap_err();
        assert!(matches!(nobody, ClinicError::NotFound { .. }), "{nobody}");
        assert!(store.verify(None, &mut quietly).unwrap().whole());
    });
}

#[test]
fn a_signed_prescription_takes_no_change() {
    both(|ground| {
        let store = ground.open();
        let sam = sam(&store);
        let of = sam.clone();
        let draft = store.write(move |tx| tx.write_prescription("j.oake", &of, prescription())).unwrap();
        assert!(draft.record.items.iter().all(|l| l.substance.is_some()), "{:?}", draft.record.items);
        let id = draft.id.clone();
        let signed = store.write(move |tx| tx.sign("j.oake", &id, 1, DAY, &[])).unwrap();
        assert_eq!(signed.record.state_word(), "signed");
        assert!(record::signature_fits(&signed.record));
        let id = draft.id.clone();
        let refused = store.write(move |tx| tx.change_prescription("j.oake", &id, 2, prescription())).unwrap_err();
        assert!(matches!(refused, ClinicError::Signed { .. }), "{refused}");
        let id = draft.id.clone();
        let twice = store.write(move |tx| tx.sign("j.oake", &id, 2, DAY, &[])).unwrap_err();
        assert!(matches!(twice, ClinicError::Signed { .. }), "{twice}");
        // A change is a further one that names its parent.
        let (of, parent) = (sam.clone(), draft.id.clone());
        let next = store
            .write(move |tx| {
                let mut rx = prescription();
                rx.items.push(line("Ge Gen", 12));
                rx.parent = Some(parent);
                rx.why = "stiff neck".into();
                tx.write_prescription("j.oake", &of, rx)
            })
            .unwrap();
        assert_eq!(next.record.parent.as_deref(), Some(draft.id.as_str()));
        // Nobody signs by writing a signature.
        let (of, forged) = (sam.clone(), signed.record.clone());
        let written = store.write(move |tx| tx.write_prescription("j.oake", &of, forged)).unwrap();
        assert_eq!(written.record.state_word(), "draft");
        let id = draft.id.clone();
        let withdrawn = store.write(move |tx| tx.withdraw("j.oake", &id, "wrong person")).unwrap();
        assert_eq!(withdrawn.record.state_word(), "withdrawn");
        assert!(record::signature_fits(&withdrawn.record));
    });
}

#[test]
fn what_stands_is_not_signed() {
    both(|ground| {
        let store = ground.open();
        let sam = sam(&store);
        let of = sam.clone();
        let draft = store
            .write(move |tx| {
                let mut rx = prescription();
                // One of the eighteen pairs that do not go together: common practice, no source.
                rx.items.extend([line("Zhi Fu Zi", 9), line("Ban Xia", 9)]);
                tx.write_prescription("j.oake", &of, rx)
            })
            .unwrap();
        let id = draft.id.clone();
        let stands = store.write(move |tx| tx.sign("j.oake", &id, 1, DAY, &[])).unwrap_err();
        let ClinicError::Stands { findings } = stands else { panic!("{stands}") };
        assert!(!findings.is_empty());
        let still: Kept<Prescription> = store.read(|db| get(db, &draft.id)).unwrap();
        assert_eq!((still.version, still.record.state_word()), (1, "draft"));
    });
}

#[test]
fn what_is_old_is_not_known() {
    let mut p = person("Sam Invented");
    p.pregnant = Some(Answer { yes: false, asked: date(2026, 1, 1) });
    assert_eq!(patient_of(&p, date(2026, 1, 20), &[], &[]).pregnant, Some(false));
    assert_eq!(patient_of(&p, date(2026, 3, 20), &[], &[]).pregnant, None);
    assert_eq!(patient_of(&p, DAY, &[], &[]).age.as_deref(), Some("46"));
    p.born = Some(date(2026, 2, 1));
    assert_eq!(patient_of(&p, DAY, &[], &[]).age.as_deref(), Some("32 days"));
    assert_eq!(case_input(&prescription(), None).items.len(), 5);
}

fn stocked(store: &Store) {
    for (id, name) in [
        ("gui-zhi", "Gui Zhi"),
        ("bai-shao", "Bai Shao"),
        ("zhi-gan-cao", "Zhi Gan Cao"),
        ("sheng-jiang", "Sheng Jiang"),
        ("da-zao", "Da Zao"),
    ] {
        let substance = lore().materia().resolve(name).settled().unwrap();
        let product = Product {
            id: id.into(),
            substance: Some(lore().materia().substance(substance).id.clone()),
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
        let lot = Lot {
            lot: format!("{id}/1 甲"),
            product: id.into(),
            grams: Rational::from(100),
            expiry: date(2027, 1, 1),
            location: String::new(),
            cost: None,
        };
        store
            .write(move |tx| -> Result<(), ClinicError> {
                tx.move_stock(DAY, "d.ash", Movement::Product(Box::new(product)))?;
                tx.move_stock(DAY, "d.ash", Movement::Receive(lot))?;
                Ok(())
            })
            .unwrap();
    }
}

fn making() -> Making {
    serde_json::from_str(r#"{"preparation": "raw-decoction"}"#).unwrap()
}

#[test]
fn handing_out_takes_the_lots_once_and_a_recall_finds_who_had_them() {
    both(|ground| {
        let store = ground.open();
        stocked(&store);
        let sam = sam(&store);
        let of = sam.clone();
        let rx = store.write(move |tx| tx.write_prescription("j.oake", &of, prescription())).unwrap();
        let id = rx.id.clone();
        let draft = store.write(move |tx| tx.hand_out("d.ash", &id, &making(), DAY, &[])).unwrap_err();
        assert!(matches!(draft, ClinicError::NotSigned { .. }), "{draft}");
        let id = rx.id.clone();
        store.write(move |tx| tx.sign("j.oake", &id, 1, DAY, &[])).unwrap();
        let id = rx.id.clone();
        let mut first = making();
        first.number = Some("A-1".into());
        let again = first.clone();
        let (given, plan) = store.write(move |tx| tx.hand_out("d.ash", &id, &first, DAY, &[])).unwrap();
        assert!(plan.stands());
        let gui = given.record.lines.iter().find(|l| l.product == "gui-zhi").unwrap();
        assert_eq!((gui.lot.as_str(), gui.grams.0), ("gui-zhi/1 甲", Rational::from(63)));
        // The same number does not leave twice, and what was refused leaves nothing behind.
        let id = rx.id.clone();
        let twice = store.write(move |tx| tx.hand_out("d.ash", &id, &again, DAY, &[])).unwrap_err();
        assert!(matches!(twice, ClinicError::Stock(_) | ClinicError::Fault(_)), "{twice}");
        // 63 of 100 g are gone: a second week is not there.
        let id = rx.id.clone();
        let short = store.write(move |tx| tx.hand_out("d.ash", &id, &making(), DAY, &[])).unwrap_err();
        assert!(short.to_string().contains("enough") || short.to_string().contains('g'), "{short}");
        let kept: Vec<Kept<Dispensing>> = store.read(|db| list(db, &sam)).unwrap();
        assert_eq!(kept.len(), 1);
        let had = store.who_had("gui-zhi", "gui-zhi/1 甲", DAY).unwrap();
        assert_eq!(had.len(), 1);
        assert_eq!((had[0].name.as_str(), had[0].what.as_str(), had[0].current), ("Sam Invented", "A-1", true));
        assert_eq!(had[0].grams.unwrap().0, Rational::from(63));
        assert!(store.who_had("gui-zhi", "another", DAY).unwrap().is_empty());
        let takes = store.who_takes("Bai Shao", DAY).unwrap();
        assert_eq!(takes.len(), 1);
        assert!(!store.who_takes("bai-shao", date(2026, 9, 1)).unwrap()[0].current);
        assert!(fangwright_clinic::verify::lots_not_found(&store, &mut quietly).unwrap().is_empty());
        // What is learnt of the person after the signature counts at the counter.
        let id = sam.clone();
        store
            .write(move |tx| {
                let mut known = get::<Person>(tx.db(), &id)?;
                known.record.allergies = Some(vec!["cinnamon".into()]);
                tx.change("j.oake", &id, known.version, known.record)
            })
            .unwrap();
        let id = rx.id.clone();
        let small = Making { days: Some(1), ..making() };
        let now = store.write(move |tx| tx.hand_out("d.ash", &id, &small, DAY, &[]));
        if let Err(e) = now {
            assert!(matches!(e, ClinicError::Stands { .. }), "{e}");
        }
    });
}

#[test]
fn found_by_whatever_it_is_called() {
    both(|ground| {
        let store = ground.open();
        let wang = store.write(|tx| tx.create("j.oake", None, person("王小明"))).unwrap().id;
        let id = wang.clone();
        store.write(move |tx| tx.take_into_care("j.oake", "j.oake", &id, "first visit")).unwrap();
        let id = wang.clone();
        store
            .write(move |tx| {
                let mut v = visit(1, "sleeps badly");
                v.notes = "夜里盗汗, dry mouth".into();
                tx.create("j.oake", Some(&id), v)
            })
            .unwrap();
        let id = wang.clone();
        store
            .write(move |tx| {
                let mut rx = prescription();
                rx.items.push(line("Huang Qi", 15));
                tx.write_prescription("j.oake", &id, rx)
            })
            .unwrap();
        let found = |text: &str, who: &str| store.search(text, &sees_all(who), None).unwrap();
        for text in ["王小明", "wang xiaoming", "Wáng Xiǎomíng", "xiaoming", "wng xiaoming", "1980-02-03"] {
            let hits = found(text, "j.oake");
            assert!(hits.iter().any(|h| h.kind == Kind::Person && h.id == wang), "{text}: {hits:?}");
        }
        for text in ["黃耆", "黄芪", "huang qi", "Huáng Qí", "astragalus", "astragalsu"] {
            let hits = found(text, "j.oake");
            assert!(hits.iter().any(|h| h.kind == Kind::Prescription), "{text}: {hits:?}");
        }
        for text in ["night sweats", "盗汗", "盜汗", "sleeps badly", "slepes badly"] {
            let hits = found(text, "j.oake");
            assert!(hits.iter().any(|h| h.kind == Kind::Visit), "{text}: {hits:?}");
        }
        // Who is not in one's care is found by name only.
        assert!(found("astragalus", "s.elm").is_empty());
        assert!(found("wang xiaoming", "s.elm").iter().all(|h| h.kind == Kind::Person));
        let names_only = Sight { account: "f.ivy".into(), all: vec![Kind::Person], ..Sight::default() };
        assert_eq!(store.search("wang xiaoming", &names_only, None).unwrap().len(), 1);
        assert!(found("", "j.oake").is_empty());
        assert!(found("\" OR 1=1 -- '; drop table record", "j.oake").is_empty());
        // The search is made anew from the records, and finds the same.
        let before = found("huang qi", "j.oake");
        store.write(|tx| tx.db().execute("delete from words where rowid > 0", &[])).unwrap();
        assert!(found("huang qi", "j.oake").is_empty());
        assert!(store.reindex(&mut quietly).unwrap() >= 3);
        assert_eq!(found("huang qi", "j.oake"), before);
        assert!(
            !Store::open(&ground.place, lore())
                .unwrap()
                .search("wng xiaoming", &sees_all("j.oake"), None)
                .unwrap()
                .is_empty()
        );
    });
}

fn tamper(ground: &Ground, sql: &str) -> Vec<String> {
    {
        let store = ground.open();
        stocked(&store);
        let sam = sam(&store);
        for n in 1..4 {
            let of = sam.clone();
            store.write(move |tx| tx.create("j.oake", Some(&of), visit(n, &format!("visit {n}")))).unwrap();
            store.note(Deed::new(Timestamp::now(), "j.oake", "read", "person").of(&sam)).unwrap();
        }
        let of = sam.clone();
        store
            .write(move |tx| {
                let about = Attachment {
                    on: DAY,
                    shows: Shows::Tongue,
                    media: "image/png".into(),
                    title: String::new(),
                    visit: None,
                    bytes: 0,
                    sha256: String::new(),
                };
                tx.attach("j.oake", &of, about, vec![1, 2, 3])
            })
            .unwrap();
        assert!(store.verify(None, &mut quietly).unwrap().whole());
    }
    let mut db = ground.conn();
    assert!(db.execute(sql, &[]).unwrap() > 0, "{sql}");
    let verdict = backup::verify_place(&ground.place, None, &mut quietly).unwrap();
    verdict.tampered.into_iter().map(|t| format!("{}: {}", t.place, t.what)).collect()
}

#[test]
fn tampering_is_found_and_located() {
    for (sql, said) in [
        ("update audit set who = 'somebody' where number = 3", "link 3: it was changed"),
        ("update audit set content = '' where number = 3", "link 3: it was changed"),
        ("delete from audit where number = 4", "link 4: link 5 stands there"),
        ("delete from audit where number = (select max(number) from audit)", "were cut off the end"),
        (
            "update record set body = replace(body, 'visit 2', 'visit 9') where kind = 'visit' and body like '%visit 2%'",
            "changed behind the program's back",
        ),
        ("delete from record where kind = 'visit' and body like '%visit 3%'", "and it is gone"),
        ("update record set link = 3 where kind = 'visit' and body like '%visit 3%'", "did not write it"),
        ("update record set version = 7 where kind = 'visit' and body like '%visit 3%'", "did not write it"),
        ("delete from bytes", "its bytes are gone"),
        ("update stock set entry = replace(entry, '100', '900')", "changed behind the program's back"),
        ("delete from stock", "and it is gone"),
    ] {
        both(|ground| {
            let wrong = tamper(ground, sql);
            assert!(wrong.iter().any(|w| w.contains(said)), "{sql}: {wrong:?}");
        });
    }
}

#[test]
fn an_anchor_shows_a_chain_that_was_written_anew() {
    both(|ground| {
        let store = ground.open();
        let _ = sam(&store);
        let head = store.verify(None, &mut quietly).unwrap();
        assert!(store.verify(Some((head.links, &head.head)), &mut quietly).unwrap().whole());
        let other = store.verify(Some((head.links, "00")), &mut quietly).unwrap();
        assert!(other.tampered[0].what.contains("written anew"), "{other:?}");
        let longer = store.verify(Some((head.links + 5, "00")), &mut quietly).unwrap();
        assert!(longer.tampered[0].what.contains("ends here"), "{longer:?}");
    });
}

fn enter(store: &Store, account: &str, password: &str, code: Option<String>) -> Result<String, AccountError> {
    let given = Credentials { account: account.into(), password: password.into(), code };
    accounts::log_in(store, &given, "127.0.0.1").map(|(token, _)| token)
}

const GOOD: &str = "a long enough word";

#[test]
fn accounts_sessions_and_the_limit_on_trying() {
    both(|ground| {
        let store = ground.open();
        accounts::add(&store, "j.oake", Role::Practitioner, "J. Oake", GOOD).unwrap();
        assert!(matches!(accounts::add(&store, "j.oake", Role::Student, "x", GOOD), Err(AccountError::Taken(_))));
        assert!(matches!(accounts::add(&store, "J Oake", Role::Student, "x", GOOD), Err(AccountError::BadId(_))));
        assert!(matches!(accounts::add(&store, "s.elm", Role::Student, "x", "short"), Err(AccountError::Password(_))));
        let token = enter(&store, "J.Oake ", GOOD, None).unwrap();
        assert_eq!(accounts::of_session(&store, &token).unwrap().unwrap().id, "j.oake");
        assert!(accounts::of_session(&store, "another").unwrap().is_none());
        // The token itself is kept nowhere.
        let held = store.read(|db| db.query("select token from session", &[])).unwrap();
        assert!(held.into_iter().all(|mut r| r.text(0) != token));
        accounts::log_out(&store, &token, "j.oake").unwrap();
        assert!(accounts::of_session(&store, &token).unwrap().is_none());
        for _ in 0..5 {
            assert_eq!(enter(&store, "j.oake", "wrong", None), Err(AccountError::Refused));
        }
        assert!(matches!(enter(&store, "j.oake", GOOD, None), Err(AccountError::TooMany { .. })));
        // The owner of the machine lets them in again.
        accounts::recover(&store, "j.oake", "another long word").unwrap();
        let token = enter(&store, "j.oake", "another long word", None).unwrap();
        let other = enter(&store, "j.oake", "another long word", None).unwrap();
        accounts::change_password(&store, "j.oake", "another long word", GOOD, &token).unwrap();
        assert!(accounts::of_session(&store, &token).unwrap().is_some());
        assert!(accounts::of_session(&store, &other).unwrap().is_none());
        accounts::close(&store, "j.oake", true).unwrap();
        assert!(accounts::of_session(&store, &token).unwrap().is_none());
        assert_eq!(enter(&store, "j.oake", GOOD, None), Err(AccountError::Refused));
        for _ in 0..5 {
            let _ = enter(&store, "nobody", "wrong", None);
        }
        assert!(matches!(enter(&store, "nobody", "wrong", None), Err(AccountError::TooMany { .. })));
    });
}

#[test]
fn a_code_is_used_once() {
    both(|ground| {
        let store = ground.open();
        accounts::add(&store, "j.oake", Role::Practitioner, "J. Oake", GOOD).unwrap();
        let fresh = accounts::begin_factor(&store, "j.oake", "Invented clinic").unwrap();
        // It is not asked for until it was confirmed.
        enter(&store, "j.oake", GOOD, None).unwrap();
        assert!(accounts::confirm_factor(&store, "j.oake", "000").is_err());
        assert!(fresh.uri.starts_with("otpauth://totp/"));
    });
}

#[test]
fn a_backup_comes_back_on_either_store() {
    both(|ground| {
        let store = ground.open();
        stocked(&store);
        let sam = sam(&store);
        let of = sam.clone();
        let rx = store.write(move |tx| tx.write_prescription("j.oake", &of, prescription())).unwrap();
        let id = rx.id.clone();
        store.write(move |tx| tx.sign("j.oake", &id, 1, DAY, &[])).unwrap();
        let id = rx.id.clone();
        store.write(move |tx| tx.hand_out("d.ash", &id, &making(), DAY, &[])).unwrap();
        accounts::add(&store, "j.oake", Role::Practitioner, "J. Oake", GOOD).unwrap();
        let file = ground.folder().join("one.backup");
        let made = store.backup(&file, None, &mut quietly).unwrap();
        assert!(made.rows > 20 && !made.head.is_empty());
        assert!(matches!(store.backup(&file, None, &mut quietly), Err(BackupError::There(_))));
        let before = store.read(|db| whole(db, &sam)).unwrap();
        // Into a new file, and over the store itself.
        let other = Place::File(ground.folder().join("restored.sqlite"));
        let done = backup::restore(&file, None, &other, false, lore(), &mut quietly).unwrap();
        assert!(done.verdict.whole() && done.before.is_none());
        let restored = Store::open(&other, lore()).unwrap();
        assert_eq!(restored.read(|db| whole(db, &sam)).unwrap(), before);
        assert_eq!(restored.search("Sam Invented", &sees_all("j.oake"), None).unwrap().len(), 1);
        assert_eq!(restored.who_had("gui-zhi", "gui-zhi/1 甲", DAY).unwrap().len(), 1);
        enter(&restored, "j.oake", GOOD, None).unwrap();
        // New ids do not run into old ones.
        let of = sam.clone();
        restored.write(move |tx| tx.create("j.oake", Some(&of), visit(9, "later"))).unwrap();
        drop(restored);
        drop(store);
        assert!(matches!(
            backup::restore(&file, None, &ground.place, false, lore(), &mut quietly),
            Err(BackupError::There(_))
        ));
        let done = backup::restore(&file, None, &ground.place, true, lore(), &mut quietly).unwrap();
        assert!(done.before.is_some());
        let store = ground.open();
        assert_eq!(store.read(|db| whole(db, &sam)).unwrap(), before);
        let of = sam.clone();
        store.write(move |tx| tx.create("j.oake", Some(&of), visit(9, "later"))).unwrap();
        drop(store);
        // A byte that is wrong is found, and nothing is replaced.
        let good = std::fs::read(&file).unwrap();
        for at in [30, good.len() / 2, good.len() - 20] {
            let mut bad = good.clone();
            bad[at] ^= 0x55;
            let path = ground.folder().join("bad.backup");
            std::fs::write(&path, bad).unwrap();
            assert!(backup::restore(&path, None, &ground.place, true, lore(), &mut quietly).is_err());
        }
        let cut = ground.folder().join("cut.backup");
        std::fs::write(&cut, &good[..good.len() - 9]).unwrap();
        assert!(backup::restore(&cut, None, &ground.place, true, lore(), &mut quietly).is_err());
        // Stopped in the middle, nothing is replaced either.
        let mut stop = |_: &str, _: u64| std::ops::ControlFlow::Break(());
        assert!(backup::restore(&file, None, &ground.place, true, lore(), &mut stop).is_err());
        let store = ground.open();
        assert_eq!(store.read(|db| list::<Visit>(db, &sam)).unwrap().len(), 1);
        assert!(store.backup(&ground.folder().join("never.backup"), None, &mut stop).is_err());
        assert!(!ground.folder().join("never.backup").exists());
        assert!(!ground.folder().join("never.backup.part").exists());
    });
}

#[test]
fn an_erased_record_is_gone_but_for_what_the_law_keeps() {
    both(|ground| {
        let store = ground.open();
        stocked(&store);
        let sam = sam(&store);
        let of = sam.clone();
        store.write(move |tx| tx.create("j.oake", Some(&of), visit(1, "a secret complaint"))).unwrap();
        let of = sam.clone();
        let rx = store.write(move |tx| tx.write_prescription("j.oake", &of, prescription())).unwrap();
        let id = rx.id.clone();
        store.write(move |tx| tx.sign("j.oake", &id, 1, DAY, &[])).unwrap();
        let id = rx.id.clone();
        store.write(move |tx| tx.hand_out("d.ash", &id, &making(), DAY, &[])).unwrap();
        let id = sam.clone();
        let done = store.write(move |tx| tx.erase("j.oake", &id, Law { years: 10 }, DAY, "asked by letter")).unwrap();
        assert_eq!(done.until, Some(date(2036, 3, 5)));
        assert!(done.gone.contains(&(Kind::Visit, 1)), "{done:?}");
        let left = store.read(|db| whole(db, &sam)).unwrap();
        assert!(left.visits.is_empty());
        assert_eq!((left.prescriptions.len(), left.dispensings.len()), (1, 1));
        assert!(store.search("secret complaint", &sees_all("j.oake"), None).unwrap().is_empty());
        assert!(store.search("Sam Invented", &sees_all("j.oake"), None).unwrap().is_empty());
        let had = store.who_had("gui-zhi", "gui-zhi/1 甲", DAY).unwrap();
        assert!(had[0].erased && had[0].name.is_empty());
        let of = sam.clone();
        let later = store.write(move |tx| tx.create("j.oake", Some(&of), visit(2, "x"))).unwrap_err();
        assert!(matches!(later, ClinicError::Erased { .. }), "{later}");
        assert!(store.verify(None, &mut quietly).unwrap().whole());
        store.reindex(&mut quietly).unwrap();
        assert!(store.search("Sam Invented", &sees_all("j.oake"), None).unwrap().is_empty());
        assert_eq!(store.write(|tx| tx.erase_expired("owner", DAY)).unwrap(), 0);
        assert_eq!(store.write(|tx| tx.erase_expired("owner", date(2037, 1, 1))).unwrap(), 1);
        assert!(store.read(|db| whole(db, &sam)).is_err());
        assert!(store.verify(None, &mut quietly).unwrap().whole());
        // No word of it is left anywhere in the store.
        for table in ["record", "earlier", "audit"] {
            let column = if table == "audit" { "about" } else { "body" };
            let sql =
                format!("select count(*) from {table} where {column} like '%secret%' or {column} like '%Sam Inv%'");
            assert_eq!(store.read(|db| db.one(&sql, &[])).unwrap().unwrap().int(0), 0, "{table}");
        }
    });
}

#[test]
fn an_older_form_is_copied_before_it_is_changed() {
    both(|ground| {
        // The first form, as its statements make it, with a record in it.
        fangwright_clinic::backup::make_form(&ground.place, 1).unwrap();
        {
            let mut db = ground.conn();
            db.execute(
                "insert into stock (number, link, entry) values (1, 0, ?1)",
                &["{\"number\":1,\"at\":\"2026-01-01T00:00:00Z\",\"day\":\"2026-01-01\",\"by\":\"d\",\"movement\":{\"product\":{\"id\":\"hq\",\"name\":\"Huang Qi\",\"sort\":\"raw\"}}}".into()],
            )
            .unwrap();
        }
        let store = ground.open();
        let copy = store.copy_kept().unwrap().to_string();
        assert!(copy.contains("form"), "{copy}");
        assert_eq!(store.write(|tx| tx.stock().map(|s| s.entries())).unwrap(), 1);
        let _ = sam(&store);
        assert_eq!(store.search("Sam", &sees_all("j.oake"), None).unwrap().len(), 1);
        drop(store);
        // A later form than we know is left alone.
        {
            let mut db = ground.conn();
            db.batch("update meta set value = '99' where key = 'form'").unwrap();
            if !db.is_server() {
                db.batch("pragma user_version = 99").unwrap();
            }
        }
        assert!(matches!(Store::open(&ground.place, lore()), Err(StoreError::Newer { found: 99, .. })));
    });
}

#[test]
fn many_at_once_and_one_that_fails_among_them() {
    both(|ground| {
        let store = ground.open();
        let sam = sam(&store);
        std::thread::scope(|s| {
            for t in 0..8 {
                let (store, sam) = (store.clone(), sam.clone());
                s.spawn(move || {
                    for n in 0..25 {
                        let of = sam.clone();
                        let done = store.write(move |tx| -> Result<(), ClinicError> {
                            tx.create("j.oake", Some(&of), visit(1, &format!("{t} {n}")))?;
                            if n % 5 == 0 {
                                return Err(ClinicError::Fault("on purpose".into()));
                            }
                            if n % 7 == 0 {
                                panic!("on purpose");
                            }
                            Ok(())
                        });
                        assert_eq!(done.is_ok(), n % 5 != 0 && n % 7 != 0);
                    }
                });
            }
        });
        let visits: Vec<Kept<Visit>> = store.read(|db| list(db, &sam)).unwrap();
        let good = (0..25).filter(|n| n % 5 != 0 && n % 7 != 0).count();
        assert_eq!(visits.len(), 8 * good);
        assert!(store.verify(None, &mut quietly).unwrap().whole());
    });
}

#[test]
fn a_full_disk_says_so_and_breaks_nothing() {
    let ground = common::file_ground();
    let store = ground.open();
    let sam = sam(&store);
    // No page more than there is.
    store
        .write(|tx| {
            let pages = tx.db().one("select page_count from pragma_page_count", &[])?.unwrap().int(0);
            tx.db().batch(&format!("pragma max_page_count = {pages}"))
        })
        .unwrap();
    let mut kept = 0;
    let full = loop {
        let of = sam.clone();
        let long = "long words without end ".repeat(200);
        match store.write(move |tx| tx.create("j.oake", Some(&of), visit(1, &long))) {
            Ok(_) => kept += 1,
            Err(e) => break e,
        }
        assert!(kept < 1000, "the disk is never full");
    };
    assert!(matches!(full, ClinicError::Store(StoreError::Full(_))), "{full}");
    assert!(full.to_string().contains("disk is full"), "{full}");
    assert_eq!(store.read(|db| list::<Visit>(db, &sam)).unwrap().len(), kept);
    assert!(store.verify(None, &mut quietly).unwrap().whole());
    drop(store);
    let store = ground.open();
    let of = sam.clone();
    store.write(move |tx| tx.create("j.oake", Some(&of), visit(1, "room again"))).unwrap();
    assert!(store.verify(None, &mut quietly).unwrap().whole());
}

#[test]
fn over_tls_where_the_address_says_so_and_never_in_the_clear_to_elsewhere() {
    let far = Place::Server("postgres://clinic@db.example/postgres".into());
    let Err(StoreError::Away(why)) = fangwright_clinic::Conn::open(&far, true) else { panic!("it was opened") };
    assert!(why.contains("sslmode=require"), "{why}");
    let (Some(address), Some(certificate)) = (common::server(), std::env::var_os("FANGWRIGHT_POSTGRES_CERTIFICATE"))
    else {
        return;
    };
    // The variable that names trusted certificates is read by the process: another one is asked.
    let ask = |trust: &std::ffi::OsStr| {
        let me = std::env::current_exe().unwrap();
        std::process::Command::new(me)
            .args(["--exact", "over_tls_in_another_process", "--ignored", "--nocapture"])
            .env("SSL_CERT_FILE", trust)
            .env("FANGWRIGHT_TLS", format!("{address}?sslmode=require"))
            .output()
            .unwrap()
    };
    let trusted = ask(&certificate);
    assert!(trusted.status.success(), "{}", String::from_utf8_lossy(&trusted.stdout));
    let other = common::folder().join("none.pem");
    std::fs::write(&other, "").unwrap();
    assert!(!ask(other.as_os_str()).status.success());
}

#[test]
#[ignore = "run by the test above, with certificates of its own"]
fn over_tls_in_another_process() {
    let Ok(address) = std::env::var("FANGWRIGHT_TLS") else { return };
    let mut db = fangwright_clinic::Conn::open(&Place::Server(address), true).unwrap();
    let sealed = db.one("select ssl from pg_stat_ssl where pid = pg_backend_pid()", &[]).unwrap().unwrap();
    assert_eq!(sealed.int(0), 1);
}
