//! Stock against a simple model, on 10,000 random histories, and with threads that all want the last grams.
#![allow(clippy::unwrap_used, clippy::result_large_err, reason = "a test that cannot go on fails")]

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use fangwright_amount::Rational;
use fangwright_dispense::{
    Entry, Ledger, LedgerError, Log, LogError, Lot, Movement, Pick, Product, Sort, Stock, StockError,
};
use jiff::Timestamp;
use jiff::civil::{Date, date};
use proptest::prelude::*;

fn g(n: i32) -> Rational {
    Rational::from(n)
}

fn day(n: i8) -> Date {
    date(2026, 6, n)
}

fn product(id: &str) -> Movement {
    Movement::Product(Box::new(Product {
        id: id.into(),
        substance: None,
        formula: None,
        name: id.into(),
        sort: Sort::Raw,
        ratio: None,
        sachet: None,
        spoon: None,
        supplier: String::new(),
        price: None,
        lead_days: Some(5),
        least: None,
        pack: Some(g(500)),
    }))
}

fn receive(product: &str, lot: &str, grams: i32, expiry: Date) -> Movement {
    Movement::Receive(Lot {
        lot: lot.into(),
        product: product.into(),
        grams: g(grams),
        expiry,
        location: String::new(),
        cost: None,
    })
}

fn pick(lot: usize, grams: i32) -> Pick {
    Pick { product: format!("p{}", lot % 2), lot: format!("l{lot}"), grams: g(grams) }
}

/// The model: whole grams in plain maps, checked by hand.
#[derive(Default)]
struct Model {
    there: BTreeMap<usize, i32>,
    expiry: BTreeMap<usize, i8>,
    recalled: Vec<usize>,
    reserved: BTreeMap<usize, Vec<(usize, i32)>>,
    used: BTreeMap<usize, Vec<(usize, i32)>>,
}

#[derive(Debug, Clone)]
enum Step {
    Receive(usize, i32, i8),
    Reserve(usize, Vec<(usize, i32)>),
    Release(usize),
    Use(usize),
    Correct(usize, i32),
    Discard(usize, i32),
    Recall(usize),
}

impl Model {
    fn set_aside(&self, lot: usize) -> i32 {
        self.reserved.values().flatten().filter(|(l, _)| *l == lot).map(|(_, n)| n).sum()
    }

    fn good(&self, lot: usize, today: i8) -> bool {
        self.there.contains_key(&lot) && !self.recalled.contains(&lot) && self.expiry[&lot] >= today
    }

    /// Whether it may be done; if so it is.
    fn step(&mut self, step: &Step, today: i8) -> bool {
        match step {
            Step::Receive(lot, n, expiry) => {
                let new = *n > 0 && !self.there.contains_key(lot);
                if new {
                    self.there.insert(*lot, *n);
                    self.expiry.insert(*lot, *expiry);
                }
                new
            }
            Step::Reserve(number, picks) => {
                if self.reserved.contains_key(number) || self.used.contains_key(number) {
                    return false;
                }
                let enough = picks.iter().all(|(lot, n)| {
                    let wanted: i32 = picks.iter().filter(|(l, _)| l == lot).map(|(_, n)| n).sum();
                    *n > 0 && self.good(*lot, today) && wanted <= self.there[lot] - self.set_aside(*lot)
                });
                if enough {
                    self.reserved.insert(*number, picks.clone());
                }
                enough
            }
            Step::Release(number) => self.reserved.remove(number).is_some(),
            Step::Use(number) => {
                let Some(picks) = self.reserved.get(number) else { return false };
                if !picks.iter().all(|(lot, _)| self.good(*lot, today)) {
                    return false;
                }
                let picks = self.reserved.remove(number).unwrap();
                for (lot, n) in &picks {
                    *self.there.get_mut(lot).unwrap() -= n;
                }
                self.used.insert(*number, picks);
                true
            }
            Step::Correct(lot, n) => {
                let may = self.there.contains_key(lot) && *n >= self.set_aside(*lot);
                if may {
                    self.there.insert(*lot, *n);
                }
                may
            }
            Step::Discard(lot, n) => {
                let may = *n > 0 && self.there.get(lot).is_some_and(|there| there - self.set_aside(*lot) >= *n);
                if may {
                    *self.there.get_mut(lot).unwrap() -= n;
                }
                may
            }
            Step::Recall(lot) => {
                let known = self.there.contains_key(lot);
                if known && !self.recalled.contains(lot) {
                    self.recalled.push(*lot);
                }
                known
            }
        }
    }
}

fn movement(step: &Step) -> Movement {
    let name = |n: &usize| format!("d{n}");
    match step {
        Step::Receive(lot, n, expiry) => receive(&format!("p{}", lot % 2), &format!("l{lot}"), *n, day(*expiry)),
        Step::Reserve(number, picks) => {
            Movement::Reserve { dispensing: name(number), picks: picks.iter().map(|(lot, n)| pick(*lot, *n)).collect() }
        }
        Step::Release(number) => Movement::Release { dispensing: name(number) },
        Step::Use(number) => Movement::Use { dispensing: name(number), patient: "x".into() },
        Step::Correct(lot, n) => Movement::Correct { pick: pick(*lot, *n), reason: String::new() },
        Step::Discard(lot, n) => Movement::Discard { pick: pick(*lot, *n), reason: String::new() },
        Step::Recall(lot) => {
            Movement::Recall { product: format!("p{}", lot % 2), lot: format!("l{lot}"), reason: "r".into() }
        }
    }
}

fn steps() -> impl Strategy<Value = Vec<(i8, Step)>> {
    let lot = 0usize..5;
    let one = prop_oneof![
        3 => (lot.clone(), -1i32..60, 1i8..28).prop_map(|(l, n, e)| Step::Receive(l, n, e)),
        4 => (0usize..6, prop::collection::vec((0usize..5, 0i32..30), 1..4)).prop_map(|(d, p)| Step::Reserve(d, p)),
        1 => (0usize..6).prop_map(Step::Release),
        3 => (0usize..6).prop_map(Step::Use),
        1 => (lot.clone(), 0i32..60).prop_map(|(l, n)| Step::Correct(l, n)),
        1 => (lot.clone(), 0i32..30).prop_map(|(l, n)| Step::Discard(l, n)),
        1 => lot.prop_map(Step::Recall),
    ];
    prop::collection::vec((0i8..2, one), 1..30).prop_map(|list| {
        // Days only go on.
        let mut today = 1;
        list.into_iter()
            .map(|(more, step)| {
                today = (today + more).min(28);
                (today, step)
            })
            .collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(10_000))]

    #[test]
    fn stock_does_what_the_model_does(history in steps()) {
        let mut stock = Stock::default();
        let mut model = Model::default();
        let mut number = 0;
        let mut entry = |day: Date, movement: Movement, stock: &mut Stock| {
            let e = Entry { number: number + 1, at: Timestamp::UNIX_EPOCH, day, by: String::new(), movement };
            let done = stock.apply(&e);
            number += u64::from(done.is_ok());
            done
        };
        for p in ["p0", "p1"] {
            entry(day(1), product(p), &mut stock).unwrap();
        }
        for (today, step) in &history {
            let done = entry(day(*today), movement(step), &mut stock).is_ok();
            // A number that was released may be used again by both.
            let may = model.step(step, *today);
            prop_assert_eq!(done, may, "{:?} on day {}", step, today);
            for l in stock.lots() {
                let lot: usize = l.lot.lot[1..].parse().unwrap();
                prop_assert_eq!(l.there, g(model.there[&lot]));
                prop_assert_eq!(l.reserved, g(model.set_aside(lot)));
                prop_assert!(l.there >= l.reserved && l.reserved >= Rational::ZERO);
            }
        }
        // Both ways of the trace: who had a lot, and what is in a bag.
        for (number, picks) in &model.used {
            let bag = stock.dispensing(&format!("d{number}")).unwrap();
            prop_assert_eq!(bag.picks.len(), picks.len());
            for (lot, _) in picks {
                let name = format!("l{lot}");
                let had = stock.who_had(&format!("p{}", lot % 2), &name);
                let dispensing = format!("d{number}");
                prop_assert!(had.iter().any(|(n, d, _)| *n == dispensing && d.patient.is_some()));
            }
        }
    }
}

/// A log in memory that several ledgers share.
#[derive(Clone, Default)]
struct Shared(Arc<Mutex<Vec<Entry>>>);

impl Log for Shared {
    fn read(&mut self, from: u64) -> Result<Vec<Entry>, LogError> {
        let all = self.0.lock().unwrap();
        Ok(all.iter().filter(|e| e.number >= from).cloned().collect())
    }

    fn append(&mut self, entry: &Entry) -> Result<(), LogError> {
        let mut all = self.0.lock().unwrap();
        if entry.number != all.len() as u64 + 1 {
            return Err(LogError::Taken(entry.number));
        }
        all.push(entry.clone());
        Ok(())
    }
}

#[test]
fn eight_dispensers_cannot_have_the_same_grams() {
    let log = Shared::default();
    let mut first = Ledger::open(log.clone()).unwrap();
    let mut put = |m: Movement| {
        first.act(Timestamp::UNIX_EPOCH, day(1), "a", |_| -> Result<Movement, LedgerError> { Ok(m.clone()) }).unwrap()
    };
    put(product("p0"));
    put(receive("p0", "old", 100, day(10)));
    put(receive("p0", "new", 105, day(20)));
    // 8 × 10 dispensings of 7 g: 560 g are wanted, 205 g are there.
    let handles: Vec<_> = (0..8)
        .map(|who| {
            let log = log.clone();
            std::thread::spawn(move || {
                let mut ledger = Ledger::open(log).unwrap();
                (0..10)
                    .filter(|n| {
                        let name = format!("{who}-{n}");
                        let decide = |stock: &Stock| -> Result<Movement, LedgerError> {
                            let picks = stock.pick("p0", g(7), day(1))?;
                            Ok(Movement::Reserve { dispensing: name.clone(), picks })
                        };
                        let taken = ledger.act(Timestamp::UNIX_EPOCH, day(1), "b", decide).is_ok();
                        taken && {
                            let use_it = |_: &Stock| -> Result<Movement, LedgerError> {
                                Ok(Movement::Use { dispensing: name.clone(), patient: "x".into() })
                            };
                            ledger.act(Timestamp::UNIX_EPOCH, day(1), "b", use_it).unwrap();
                            true
                        }
                    })
                    .count()
            })
        })
        .collect();
    let served: usize = handles.into_iter().map(|h| h.join().unwrap()).sum();
    assert_eq!(served, 29, "205 g hold 29 times 7 g");
    let ledger = Ledger::open(log).unwrap();
    let left = ledger.stock().lots().fold(Rational::ZERO, |sum, l| sum.plus(l.there).unwrap());
    assert_eq!(left, g(205 - 29 * 7));
    // The first to expire went first.
    assert!(ledger.stock().lots().find(|l| l.lot.lot == "old").unwrap().there.is_zero());
}

#[test]
fn refusals_say_what_is_wrong() {
    let mut stock = Stock::default();
    let mut n = 0;
    let mut apply = |m: Movement, today: i8, stock: &mut Stock| {
        let e = Entry { number: n + 1, at: Timestamp::UNIX_EPOCH, day: day(today), by: String::new(), movement: m };
        let done = stock.apply(&e);
        n += u64::from(done.is_ok());
        done
    };
    assert!(matches!(apply(receive("p0", "l0", 5, day(9)), 1, &mut stock), Err(StockError::NoProduct(_))));
    apply(product("p0"), 1, &mut stock).unwrap();
    apply(receive("p0", "l0", 50, day(9)), 1, &mut stock).unwrap();
    assert!(matches!(apply(receive("p0", "l0", 5, day(9)), 1, &mut stock), Err(StockError::Twice { .. })));
    let e = stock.pick("p0", g(10), day(10)).unwrap_err();
    assert!(e.to_string().contains("expired on 2026-06-09"), "{e}");
    apply(Movement::Recall { product: "p0".into(), lot: "l0".into(), reason: "mould".into() }, 1, &mut stock).unwrap();
    let e = stock.pick("p0", g(10), day(1)).unwrap_err();
    assert!(e.to_string().contains("recalled"), "{e}");
    let reserve = Movement::Reserve { dispensing: "d".into(), picks: vec![pick(0, 1)] };
    assert!(matches!(apply(reserve, 1, &mut stock), Err(StockError::Recalled { .. })));
    let gap = Entry { number: 99, at: Timestamp::UNIX_EPOCH, day: day(1), by: String::new(), movement: product("p1") };
    assert!(matches!(stock.apply(&gap), Err(StockError::Order { .. })));
}

#[test]
fn the_order_list_follows_use_and_lead_time() {
    let mut stock = Stock::default();
    let list = [
        product("p0"),
        receive("p0", "l0", 100, date(2027, 6, 1)),
        Movement::Reserve { dispensing: "d".into(), picks: vec![pick(0, 60)] },
        Movement::Use { dispensing: "d".into(), patient: "x".into() },
    ];
    for (n, movement) in list.into_iter().enumerate() {
        let e = Entry { number: n as u64 + 1, at: Timestamp::UNIX_EPOCH, day: day(5), by: String::new(), movement };
        stock.apply(&e).unwrap();
    }
    // 60 g in 30 days: 2 g a day; five days of lead and thirty more ask for 70 g, 40 g are there.
    let order = stock.reorder(day(20), 30, 30);
    assert_eq!(order.len(), 1);
    assert_eq!((order[0].a_day, order[0].target, order[0].order), (g(2), g(70), g(500)));
    assert_eq!(order[0].packs, Some(g(1)));
}
