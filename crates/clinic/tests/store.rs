//! The store on a real file.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::path::PathBuf;

use fangwright_amount::Rational;
use fangwright_clinic::audit::{Deed, Link, verify};
use fangwright_clinic::{Store, StoreError};
use fangwright_dispense::{Ledger, LedgerError, Lot, Movement, Product, Sort, Stock};
use jiff::Timestamp;
use jiff::civil::date;
use proptest::prelude::*;

fn file(name: &str) -> PathBuf {
    let path = std::env::temp_dir().join(format!("fangwright-clinic-{name}-{}.sqlite", std::process::id()));
    for end in ["", "-wal", "-shm"] {
        let _ = std::fs::remove_file(format!("{}{end}", path.display()));
    }
    path
}

fn deed(n: usize) -> Deed {
    Deed {
        at: Timestamp::UNIX_EPOCH,
        who: format!("account {}", n % 3),
        what: "read".into(),
        about: format!("person {n}"),
    }
}

proptest! {
    #[test]
    fn whatever_is_changed_is_found_and_located(length in 1usize..20, at in 0usize..20, how in 0usize..7) {
        let mut chain = vec![Link::first(deed(0))];
        for n in 1..length {
            chain.push(Link::after(&chain[n - 1], deed(n)));
        }
        prop_assert_eq!(verify(&chain), Ok(length as u64));
        let at = at % length;
        match how {
            0 => chain[at].deed.who.push('x'),
            1 => chain[at].deed.about.clear(),
            2 => chain[at].deed.at = Timestamp::UNIX_EPOCH.checked_add(jiff::SignedDuration::from_secs(1)).unwrap(),
            3 => chain[at].hash = "0".repeat(64),
            4 => chain[at].number += 1,
            5 => chain[at].before = "f".repeat(64),
            // Taken out, unless it is the last: that shows only beside a hash kept elsewhere.
            _ if at + 1 < length => {
                chain.remove(at);
            }
            _ => return Ok(()),
        }
        let found = verify(&chain).unwrap_err().number;
        prop_assert_eq!(found, at as u64 + 1);
    }
}

#[test]
fn the_chain_holds_over_several_openings_and_a_forged_row_is_located() {
    let path = file("chain");
    for n in 0..5 {
        // Opened anew each time.
        Store::open(&path).unwrap().record(deed(n)).unwrap();
    }
    assert_eq!(Store::open(&path).unwrap().verify_audit().unwrap(), 5);
    let db = rusqlite::Connection::open(&path).unwrap();
    db.execute("update audit set link = replace(link, 'person 2', 'person 9') where number = 3", []).unwrap();
    let e = Store::open(&path).unwrap().verify_audit().unwrap_err();
    assert!(matches!(&e, StoreError::Broken(b) if b.number == 3), "{e}");
    // A file of a later program is left alone.
    db.pragma_update(None, "user_version", 99).unwrap();
    assert!(matches!(Store::open(&path), Err(StoreError::Newer { found: 99, .. })));
}

#[test]
fn two_connections_cannot_have_the_same_grams() {
    let path = file("stock");
    let mut first = Ledger::open(Store::open(&path).unwrap()).unwrap();
    let product = Product {
        id: "p".into(),
        substance: None,
        formula: None,
        name: "p".into(),
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
        lot: "l".into(),
        product: "p".into(),
        grams: Rational::from(100),
        expiry: date(2030, 1, 1),
        location: String::new(),
        cost: None,
    };
    for movement in [Movement::Product(Box::new(product)), Movement::Receive(lot)] {
        let put = |_: &Stock| -> Result<Movement, LedgerError> { Ok(movement.clone()) };
        first.act(Timestamp::UNIX_EPOCH, date(2026, 6, 1), "a", put).unwrap();
    }
    let threads: Vec<_> = (0..4)
        .map(|who| {
            let path = path.clone();
            std::thread::spawn(move || {
                let mut ledger = Ledger::open(Store::open(&path).unwrap()).unwrap();
                let one = |n: usize, ledger: &mut Ledger<Store>| {
                    let reserve = |stock: &Stock| -> Result<Movement, LedgerError> {
                        let picks = stock.pick("p", Rational::from(9), date(2026, 6, 1))?;
                        Ok(Movement::Reserve { dispensing: format!("{who}-{n}"), picks })
                    };
                    ledger.act(Timestamp::UNIX_EPOCH, date(2026, 6, 1), "b", reserve).is_ok()
                };
                (0..5).filter(|n| one(*n, &mut ledger)).count()
            })
        })
        .collect();
    let served: usize = threads.into_iter().map(|t| t.join().unwrap()).sum();
    assert_eq!(served, 11, "100 g hold eleven times 9 g");
}
