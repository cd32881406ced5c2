//! The plan on real data.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use fangwright_amount::Rational;
use fangwright_dispense::{
    Drinker, Entry, Lot, Measure, Money, Movement, Order, Plan, PlanError, PotAct, Prescribed, Pricing, Product,
    RatioFrom, Sort, Stock, Weight, bill, plan,
};
use fangwright_materia::Materia;
use jiff::Timestamp;
use jiff::civil::date;
use proptest::prelude::*;

fn r(s: &str) -> Rational {
    s.parse().unwrap()
}

fn items(m: &Materia, list: &[(&str, &str)]) -> Vec<Prescribed> {
    let one = |(id, g): &(&str, &str)| Prescribed {
        substance: m.substance_by_id(id).unwrap_or_else(|| panic!("{id}")),
        grams: r(g),
        pots: Vec::new(),
    };
    list.iter().map(one).collect()
}

fn order(preparation: &str, days: u32) -> Order {
    Order::new(preparation, days, date(2026, 11, 25))
}

fn stock(products: Vec<Product>, lots: Vec<Lot>) -> Stock {
    let mut stock = Stock::default();
    let all =
        products.into_iter().map(|p| Movement::Product(Box::new(p))).chain(lots.into_iter().map(Movement::Receive));
    for (n, movement) in all.enumerate() {
        let entry = Entry {
            number: n as u64 + 1,
            at: Timestamp::UNIX_EPOCH,
            day: date(2026, 11, 1),
            by: String::new(),
            movement,
        };
        stock.apply(&entry).unwrap();
    }
    stock
}

fn product(id: &str, substance: Option<&str>, sort: Sort, ratio: Option<&str>) -> Product {
    Product {
        id: id.into(),
        substance: substance.map(Into::into),
        formula: None,
        name: id.into(),
        sort,
        ratio: ratio.map(r),
        sachet: None,
        spoon: None,
        supplier: String::new(),
        price: None,
        lead_days: None,
        least: None,
        pack: None,
    }
}

fn lot(product: &str, grams: &str, cost: &str) -> Lot {
    Lot {
        lot: format!("{product}-1"),
        product: product.into(),
        grams: r(grams),
        expiry: date(2028, 1, 1),
        location: String::new(),
        cost: Some(cost.parse().unwrap()),
    }
}

fn stops(p: &Plan) -> Vec<&str> {
    p.remarks.iter().filter(|x| x.weight == Weight::Stop).map(|x| x.text.as_str()).collect()
}

const FOUR: [(&str, &str); 4] = [("dang-shen", "9"), ("bai-zhu", "9"), ("fu-ling", "9"), ("zhi-gan-cao", "6")];

#[test]
fn a_decoction_is_packed_by_the_day_and_its_water_adds_up() {
    let m = Materia::embedded();
    let p = plan(&m, &items(&m, &FOUR), &order("raw-decoction", 7), None).unwrap();
    assert_eq!((p.packs, p.weighed, p.largest_error), (7, r("33"), Rational::ZERO));
    let c = p.cooking.unwrap();
    let sum = c.taken_up.iter().fold(Rational::ZERO, |s, x| s.plus(x.millilitres).unwrap());
    assert_eq!(sum, c.absorbed);
    // Water in = taken up + boiled away + drunk, to the next ten.
    let PotAct::Strain { millilitres } = c.steps.iter().find(|s| matches!(s.what, PotAct::Strain { .. })).unwrap().what
    else {
        panic!()
    };
    let needed = c.absorbed.plus(c.evaporated).unwrap().plus(millilitres).unwrap();
    assert!(needed <= c.first_water && c.first_water < needed.plus(r("10")).unwrap());
    assert_eq!(c.yield_ml, c.dose_ml.times(r("2")).unwrap());
    assert_eq!(c.rule, "tonic");
    let times: Vec<u32> = c.steps.iter().map(|s| s.at).collect();
    assert!(times.is_sorted(), "{times:?}");
}

#[test]
fn aconite_boils_first_and_mint_goes_in_last() {
    let m = Materia::embedded();
    let rx = items(&m, &[("fu-zi", "9"), ("gan-jiang", "6"), ("zhi-gan-cao", "6"), ("bo-he", "6")]);
    let mut wish = order("raw-decoction", 3);
    wish.vessel = Some("iron".into());
    let p = plan(&m, &rx, &wish, None).unwrap();
    let c = p.cooking.as_ref().unwrap();
    let first = c.steps.iter().find(|s| matches!(s.what, PotAct::BoilFirst { .. })).unwrap();
    assert!(matches!(first.what, PotAct::BoilFirst { minutes } if minutes >= 60), "{first:?}");
    assert_eq!(first.lines, [0]);
    let last = c.steps.iter().find(|s| matches!(s.what, PotAct::AddLast { .. })).unwrap();
    assert_eq!(last.lines, [3]);
    assert!(p.remarks.iter().any(|x| x.about == "pot" && x.line == Some(0)));
    assert!(c.warnings.iter().any(|w| w.grave && w.lines.is_empty()), "an iron pot is warned of");
    // The same as a powder is not boiled, and must not go out.
    let p = plan(&m, &rx, &order("powder", 3), None).unwrap();
    assert!(stops(&p).iter().any(|t| t.contains("boiled long")), "{:?}", p.remarks);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn a_change_of_form_keeps_the_proportions(
        grams in prop::collection::vec(10u32..300, 4),
        days in 1u32..40,
        form in prop::sample::select(vec!["powder", "honey-pill-small", "water-pill", "tincture-alcohol", "syrup", "single-granules"]),
    ) {
        let m = Materia::embedded();
        let list: Vec<(String, String)> =
            FOUR.iter().zip(&grams).map(|((id, _), g)| (id.to_string(), format!("{g}/10"))).collect();
        let list: Vec<(&str, &str)> = list.iter().map(|(a, b)| (a.as_str(), b.as_str())).collect();
        let rx = items(&m, &list);
        let p = plan(&m, &rx, &order(form, days), None).unwrap();
        let total = rx.iter().fold(Rational::ZERO, |s, x| s.plus(x.grams).unwrap());
        let one = p.lines[0].exact.times(p.lines[0].ratio).unwrap().over(rx[0].grams).unwrap();
        for (line, item) in p.lines.iter().zip(&rx) {
            prop_assert_eq!(line.share, item.grams.over(total).unwrap());
            // Raw grams of the batch stand to each other as the prescription's, exactly.
            prop_assert_eq!(line.exact.times(line.ratio).unwrap(), item.grams.times(one).unwrap());
            prop_assert!(line.weighed.minus(line.exact).unwrap().abs() < line.unit);
        }
        prop_assert!(p.weighed.minus(p.exact).unwrap().abs() <= r("0.05"));
    }
}

#[test]
fn granules_go_by_the_ratio_of_the_jar() {
    let m = Materia::embedded();
    let s = stock(
        vec![
            product("ds", Some("dang-shen"), Sort::Granule, Some("3")),
            product("bz", Some("bai-zhu"), Sort::Granule, Some("5")),
            product("fl", Some("fu-ling"), Sort::Granule, Some("10")),
            product("gc", Some("zhi-gan-cao"), Sort::Granule, Some("4")),
        ],
        ["ds", "bz", "fl", "gc"].map(|p| lot(p, "200", "0.10 EUR")).to_vec(),
    );
    let p = plan(&m, &items(&m, &FOUR), &order("single-granules", 10), Some(&s)).unwrap();
    let exact: Vec<Rational> = p.lines.iter().map(|l| l.exact).collect();
    // 9 g a day for ten days at 3:1 is 30 g, and so on.
    assert_eq!(exact, [r("30"), r("18"), r("9"), r("15")]);
    assert!(p.lines.iter().all(|l| l.ratio_from == RatioFrom::Stock && l.picks.len() == 1));
    assert!(p.stands());
    // Without the jar the usual ratio is used, and said aloud.
    let p = plan(&m, &items(&m, &FOUR), &order("single-granules", 10), None).unwrap();
    assert!(p.remarks.iter().filter(|x| x.about == "ratio").count() == 4);
}

#[test]
fn a_whole_formula_granule_is_topped_up_exactly() {
    let m = Materia::embedded();
    let formula = m.formula_by_id("si-jun-zi-tang").unwrap();
    let usual: Vec<(String, Rational)> =
        m.formula(formula).ingredients.iter().map(|i| (i.substance.clone(), i.grams.unwrap())).collect();
    // The formula with Chen Pi, and twice as much Fu Ling.
    let mut list: Vec<Prescribed> = usual
        .iter()
        .map(|(id, g)| Prescribed {
            substance: m.substance_by_id(id).unwrap(),
            grams: if id == "fu-ling" { g.times(r("2")).unwrap() } else { *g },
            pots: Vec::new(),
        })
        .collect();
    list.extend(items(&m, &[("chen-pi", "6")]));
    let mut whole = product("sjz", None, Sort::Granule, Some("5"));
    whole.formula = Some("si-jun-zi-tang".into());
    let s = stock(
        vec![
            whole,
            product("fl", Some("fu-ling"), Sort::Granule, Some("5")),
            product("cp", Some("chen-pi"), Sort::Granule, Some("5")),
        ],
        ["sjz", "fl", "cp"].map(|p| lot(p, "500", "0.10 EUR")).to_vec(),
    );
    let mut wish = order("single-granules", 7);
    wish.whole = Some("sjz".into());
    let p = plan(&m, &list, &wish, Some(&s)).unwrap();
    let names: Vec<&str> = p.lines.iter().filter_map(|l| l.product.as_deref()).collect();
    assert_eq!(names, ["sjz", "fl", "cp"]);
    let raw = p.lines.iter().fold(Rational::ZERO, |sum, l| sum.plus(l.raw).unwrap());
    let prescribed = list.iter().fold(Rational::ZERO, |sum, i| sum.plus(i.grams).unwrap());
    assert_eq!(raw, prescribed, "whole and singles come to what is prescribed");
    // A formula with an ingredient that is not prescribed cannot serve.
    let e = plan(&m, &items(&m, &[("dang-shen", "9")]), &wish, Some(&s)).unwrap_err();
    assert!(matches!(e, PlanError::Product { .. }), "{e}");
}

#[test]
fn sachets_and_spoons_come_whole() {
    let m = Materia::embedded();
    let mut a = product("ds", Some("dang-shen"), Sort::Granule, Some("5"));
    a.sachet = Some(r("2"));
    let mut b = product("bz", Some("bai-zhu"), Sort::Granule, Some("5"));
    b.spoon = Some(r("0.5"));
    let s = stock(vec![a, b], vec![lot("ds", "200", "0.1 EUR"), lot("bz", "200", "0.1 EUR")]);
    let rx = items(&m, &[("dang-shen", "9.3"), ("bai-zhu", "8.1")]);
    let p = plan(&m, &rx, &order("single-granules", 5), Some(&s)).unwrap();
    assert_eq!((p.lines[0].measure, p.lines[1].measure), (Measure::Sachets, Measure::Spoons));
    assert!(p.lines.iter().all(|l| l.count.unwrap().is_whole()));
}

#[test]
fn a_poison_is_not_rounded_up_past_its_maximum() {
    let m = Materia::embedded();
    // Realgar powder: at most 0.1 g a day in the data, and a scale of 0.5 g.
    let id = m.substance_by_id("xiong-huang").unwrap();
    let most = m.substance(id).dose.usual().unwrap().most;
    let mut wish = order("raw-decoction", 3);
    wish.scale = r("0.5");
    let mut rx = items(&m, &[("gan-cao", "3")]);
    rx.push(Prescribed { substance: id, grams: most, pots: Vec::new() });
    let p = plan(&m, &rx, &wish, None).unwrap();
    let line = &p.lines[1];
    assert!(line.weighed <= most.max(line.exact), "{line:?}");
    assert!(stops(&p).iter().any(|t| t.contains("finer scale")), "{:?}", p.remarks);
}

#[test]
fn pills_honey_tincture_and_syrup_come_out_as_reckoned_by_hand() {
    let m = Materia::embedded();
    let rx = items(&m, &FOUR);
    // 10 g of honey pills a day, as much honey as powder: 5 g of powder a day; 30 days; 3 in a hundred lost.
    let mut wish = order("honey-pill-large", 30);
    (wish.daily, wish.honey, wish.unit_grams) = (Some(r("18")), Some(r("1")), Some(r("9")));
    let p = plan(&m, &rx, &wish, None).unwrap();
    assert_eq!(p.finished.batch_grams, Some(r("540")));
    assert_eq!(p.finished.honey, Some(r("270")));
    assert_eq!(p.finished.units, Some(r("60")));
    assert_eq!(p.finished.units_a_dose.iter().sum::<u32>(), 2);
    let d = &m.library().dispensing;
    let keep = Rational::ONE.minus(d.preparation("honey-pill-large").unwrap().loss.unwrap()).unwrap();
    assert_eq!(p.exact, r("270").over(keep).unwrap());
    // Tincture, 1 g in 5 ml, 12 ml a day for ten days from 96 per cent spirit to 48: half and half.
    let mut wish = order("tincture-alcohol", 10);
    (wish.daily, wish.ratio, wish.strength, wish.spirit) = (Some(r("12")), Some(r("5")), Some(r("48")), Some(r("96")));
    let p = plan(&m, &rx, &wish, None).unwrap();
    let f = &p.finished;
    assert_eq!(f.batch_ml, Some(r("120")));
    assert_eq!(f.spirit_ml, f.water_ml);
    assert_eq!(p.exact.times(r("5")), f.solvent_ml);
    // 12 ml of 48 per cent: 5.76 ml of ethanol of 0.789 g.
    assert_eq!(f.alcohol_a_day, Some(r("5.76").times(r("0.789")).unwrap()));
    let mut child = wish.clone();
    child.drinker = Drinker::Child;
    assert!(!plan(&m, &rx, &child, None).unwrap().stands());
    // Syrup, 40 ml a day for 25 days is a litre: sugar as the data has it for a litre.
    let mut wish = order("syrup", 25);
    wish.daily = Some(r("40"));
    let p = plan(&m, &rx, &wish, None).unwrap();
    assert_eq!(p.finished.sugar, d.preparation("syrup").unwrap().sugar);
}

#[test]
fn bad_orders_are_refused_and_say_why() {
    let m = Materia::embedded();
    let rx = items(&m, &FOUR);
    let say = |order: &Order| plan(&m, &rx, order, None).unwrap_err().to_string();
    assert!(say(&order("raw-decoction", 0)).contains("no days"));
    assert!(say(&order("raw-decoction", 9999)).contains("more than a year"));
    assert!(say(&order("soup", 5)).contains("is no preparation"));
    let mut o = order("raw-decoction", 5);
    o.doses = Some(0);
    assert!(say(&o).contains("at least one dose"));
    o = order("raw-decoction", 5);
    o.scale = Rational::ZERO;
    assert!(say(&o).contains("step of the scale"));
    o = order("raw-decoction", 5);
    o.vessel = Some("hat".into());
    assert!(say(&o).contains("is no vessel"));
    assert!(matches!(plan(&m, &[], &order("raw-decoction", 5), None), Err(PlanError::Empty)));
    o = order("tincture-alcohol", 5);
    (o.strength, o.spirit) = (Some(r("96")), Some(r("40")));
    assert!(say(&o).contains("cannot be mixed"));
    // A child without a weight, and a substance that is not in stock, stop the plan without losing it.
    o = order("raw-decoction", 5);
    (o.drinker, o.weight_known) = (Drinker::Child, false);
    assert!(!plan(&m, &rx, &o, None).unwrap().stands());
    let empty = stock(Vec::new(), Vec::new());
    let p = plan(&m, &rx, &order("raw-decoction", 5), Some(&empty)).unwrap();
    assert_eq!(stops(&p).len(), 4);
}

#[test]
fn the_bill_adds_up() {
    let m = Materia::embedded();
    let s = stock(
        vec![
            product("ds", Some("dang-shen"), Sort::Raw, None),
            product("bz", Some("bai-zhu"), Sort::Raw, None),
            product("fl", Some("fu-ling"), Sort::Raw, None),
            product("gc", Some("zhi-gan-cao"), Sort::Raw, None),
        ],
        ["ds", "bz", "fl", "gc"].map(|p| lot(p, "500", "0.05 EUR")).to_vec(),
    );
    let p = plan(&m, &items(&m, &FOUR), &order("raw-decoction", 7), Some(&s)).unwrap();
    let pricing = Pricing {
        currency: "EUR".into(),
        markup: Some(r("1")),
        dispensing_fee: Some("5 EUR".parse().unwrap()),
        pack_fee: Some("0.10 EUR".parse().unwrap()),
        discount: Some(r("0.1")),
        tax: Some(r("0.19")),
    };
    let b = bill(&p, &s, &pricing).unwrap();
    let money = |x: &str| x.parse::<Money>().unwrap();
    // 231 g at 5 cents cost 11.55, doubled 23.10 (6.30 × 3 + 4.20); a tenth off 2.31; fees 5.70; tax 19 % of 26.49 = 5.03.
    assert_eq!((b.cost, b.goods, b.discount), (money("11.55 EUR"), money("23.10 EUR"), money("2.31 EUR")));
    assert_eq!((b.fees, b.tax, b.total), (money("5.70 EUR"), money("5.03 EUR"), money("31.52 EUR")));
    assert_eq!(b.a_day, money("4.50 EUR"));
    let bad = Pricing { currency: "XQQ".into(), ..pricing.clone() };
    assert!(bill(&p, &s, &bad).unwrap_err().to_string().contains("ISO 4217"));
    let mixed = Pricing { currency: "USD".into(), dispensing_fee: None, pack_fee: None, ..pricing };
    assert!(bill(&p, &s, &mixed).unwrap_err().to_string().contains("cannot be added"));
    assert!("-3 EUR".parse::<Money>().unwrap_err().to_string().contains("below zero"));
    // Yen have no smaller coin, dinars three digits.
    assert_eq!(Money { amount: r("10.5"), coin: "JPY".parse().unwrap() }.rounded().unwrap().to_string(), "11 JPY");
    assert_eq!(
        Money { amount: r("1.23456"), coin: "KWD".parse().unwrap() }.rounded().unwrap().to_string(),
        "1.235 KWD"
    );
}
