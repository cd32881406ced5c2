//! What is typed finds what is meant.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::sync::LazyLock;
use std::time::Instant;

use fangwright_amount::Rational;
use fangwright_clinic::model::{DispensedLine, Dispensing, Person, Prescription, RxLine, Visit};
use fangwright_clinic::words::{
    Expr, FreeText, How, Knowledge, Vocabulary, fts5, pg, read_query, tokens_of_dispensing, tokens_of_person,
    tokens_of_prescription, tokens_of_visit,
};
use fangwright_materia::{Materia, is_hanzi};
use fangwright_pattern::Terms;
use fangwright_safety::Exact;
use jiff::civil::date;
use proptest::prelude::*;
use rusqlite::Connection;
use serde_json::json;

static MATERIA: LazyLock<Materia> = LazyLock::new(Materia::embedded);
static TERMS: LazyLock<Terms> = LazyLock::new(|| Terms::new(&MATERIA));
static KNOWN: LazyLock<Knowledge<'static>> = LazyLock::new(|| Knowledge::new(&MATERIA, &TERMS));

fn vocabulary(records: &[Vec<String>]) -> Vocabulary {
    let mut v = Vocabulary::default();
    records.iter().flatten().for_each(|t| v.add(t, 1));
    v
}

fn exact(query: &str, tokens: &[String]) -> bool {
    let v = vocabulary(&[tokens.to_vec()]);
    read_query(&KNOWN, query).exact(&v).is_some_and(|e| e.holds(tokens))
}

fn loose(query: &str, tokens: &[String]) -> bool {
    let v = vocabulary(&[tokens.to_vec()]);
    read_query(&KNOWN, query).loose(&KNOWN, &v).is_some_and(|e| e.holds(tokens))
}

fn person(names: &[&str]) -> Person {
    Person { names: names.iter().map(|n| (*n).to_string()).collect(), ..Person::default() }
}

fn named(names: &[&str]) -> Vec<String> {
    tokens_of_person(&KNOWN, &person(names))
}

fn prescription(ids: &[&str]) -> Prescription {
    let mut p: Prescription = serde_json::from_value(json!({ "on": "2026-03-05", "items": [] })).unwrap();
    p.items = ids.iter().map(|id| RxLine { substance: Some((*id).into()), ..RxLine::default() }).collect();
    p
}

fn of_substances(ids: &[&str]) -> Vec<String> {
    tokens_of_prescription(&KNOWN, &prescription(ids))
}

fn visit(fields: serde_json::Value) -> Vec<String> {
    let mut whole = json!({ "on": "2026-03-05" });
    whole.as_object_mut().unwrap().extend(fields.as_object().unwrap().clone());
    let v: Visit = serde_json::from_value(whole).unwrap();
    tokens_of_visit(&KNOWN, &v, FreeText::Findings)
}

#[test]
fn a_substance_by_any_of_its_names() {
    let rx = of_substances(&["huang-qi", "dang-gui"]);
    for q in [
        "黃耆",
        "黄芪",
        "huang qi",
        "Huáng Qí",
        "astragalus",
        "huangqi",
        "huang2 qi2",
        "huang2qi2",
        "Radix Astragali",
        "astragalus root",
        "黄芪当归",
        "黃耆 當歸",
        "dang gui, huang qi",
        "Astragalus membranaceus",
        "2026-03-05 黄芪",
        "5.3.2026",
    ] {
        assert!(exact(q, &rx), "{q}: {:?}", read_query(&KNOWN, q));
    }
    for q in ["黄芩", "huang qin", "huang lian", "黄芪柴胡", "ginseng", "桂枝", "night sweats", "2026-04"] {
        assert!(!exact(q, &rx), "{q}");
    }
    // While it is being typed, and with slips.
    for q in ["astrag", "huangq", "dang gui astrag"] {
        assert!(exact(q, &rx), "{q}");
    }
    for q in ["astragalsu", "huang qii dang gui", "hunag qi"] {
        assert!(loose(q, &rx), "{q}: {:?}", read_query(&KNOWN, q));
    }
    assert!(!loose("chai hu", &rx));
}

#[test]
fn the_raw_one_finds_what_is_made_from_it() {
    let rx = of_substances(&["zhi-gan-cao"]);
    for q in ["甘草", "gan cao", "licorice", "炙甘草", "zhi gan cao"] {
        assert!(exact(q, &rx), "{q}: {:?}", read_query(&KNOWN, q));
    }
    assert!(!exact("炙甘草", &of_substances(&["gan-cao"])));
}

#[test]
fn an_ambiguous_name_finds_all_it_may_be() {
    for id in ["chuan-mu-tong", "mu-tong", "guan-mu-tong"] {
        for q in ["mu tong", "木通", "Akebia"] {
            assert!(exact(q, &of_substances(&[id])), "{q} {id}");
        }
    }
}

#[test]
fn a_formula_and_a_pattern() {
    let p = Prescription {
        formula: Some("gui-zhi-tang".into()),
        patterns: vec!["spleen-qi-deficiency".into()],
        ..prescription(&["gui-zhi"])
    };
    let rx = tokens_of_prescription(&KNOWN, &p);
    for q in
        ["桂枝湯", "gui zhi tang", "Cinnamon Twig Decoction", "桂枝汤 脾气虚", "spleen qi deficiency", "gui zhi ta"]
    {
        assert!(exact(q, &rx), "{q}: {:?}", read_query(&KNOWN, q));
    }
    assert!(!exact("麻黄汤", &rx));
    assert!(loose("gui zhii tang", &rx));
}

#[test]
fn a_person_by_the_sound_of_the_name() {
    let wang = named(&["王小明"]);
    for q in [
        "wang xiaoming",
        "xiaoming wang",
        "王小明",
        "wxm",
        "小明",
        "Wáng Xiǎomíng",
        "wang xiao ming",
        "wangxiaoming",
        "xiaomi",
        "wang, xiao-ming",
        "Xiaoming WANG",
        "xiao ming",
        "wang2 xiao3 ming2",
    ] {
        assert!(exact(q, &wang), "{q}: {:?}", read_query(&KNOWN, q));
    }
    for q in ["wng xiaoming", "wang xiaomign", "xiaomng", "王晓明", "wagn xiaomin"] {
        assert!(!exact(q, &wang), "{q}");
        assert!(loose(q, &wang), "{q}");
    }
    for q in ["li xiaoming", "王大明", "wang li", "zhang"] {
        assert!(!exact(q, &wang), "{q}");
    }
    for q in ["li xiaohong", "陈", "zhang wei"] {
        assert!(!loose(q, &wang), "{q}");
    }
}

#[test]
fn names_in_letters_and_of_two_characters() {
    let latin = named(&["Xiao Ming Wang", "Zoë O'Neil-Große"]);
    for q in ["xiaoming", "wang xiaoming", "zoe oneil", "o'neil", "neil", "grosse", "Große Zoe", "ONEIL GROSSE"] {
        assert!(exact(q, &latin), "{q}: {:?}", read_query(&KNOWN, q));
    }
    let one_word = named(&["Wang Xiaoming"]);
    assert!(exact("wang xiao ming", &one_word));
    let ouyang = named(&["歐陽春"]);
    for q in ["ouyang chun", "欧阳春", "chun ouyang", "oyc", "歐陽"] {
        assert!(exact(q, &ouyang), "{q}");
    }
    for (name, q) in [
        ("曾一", "zeng yi"),
        ("单一", "shan yi"),
        ("单一", "dan yi"),
        ("吕一", "lv yi"),
        ("吕一", "lü yi"),
        ("吕一", "lyu yi"),
        ("尉迟一", "yuchi yi"),
    ] {
        assert!(exact(q, &named(&[name])), "{name} {q}");
    }
}

#[test]
fn a_person_by_figures() {
    let p = Person {
        born: Some(date(1980, 2, 3)),
        number: "K/2024-017".into(),
        phone: "+49 30 123-4567".into(),
        email: "Ling.Probe+x@Example.org".into(),
        ..person(&["林一"])
    };
    let tokens = tokens_of_person(&KNOWN, &p);
    for q in [
        "1980-02-03",
        "1980",
        "3.2.1980",
        "2/3/1980",
        "1980-2",
        "1980-0",
        "K/2024-017",
        "k2024017",
        "4567",
        "49301234567",
        "030 1234567",
        "030/123 4567",
        "+49 30 1234567",
        "ling.probe+x@example.org",
        "ling probe",
        "林一 1980",
        "lin yi 1980-02-03",
    ] {
        assert!(exact(q, &tokens), "{q}: {:?}\n{tokens:?}", read_query(&KNOWN, q));
    }
    for q in ["1981", "1980-02-04", "030 1234568", "linn 1981"] {
        assert!(!exact(q, &tokens), "{q}");
        assert!(!loose(q, &tokens), "{q}");
    }
}

#[test]
fn a_visit_by_what_was_found() {
    let chosen = visit(json!({ "findings": ["night-sweats"] }));
    let written = visit(json!({ "notes": "近来夜间盗汗，口干。" }));
    let told = visit(json!({ "complaint": "sweats at night for two weeks" }));
    for v in [&chosen, &written, &told] {
        for q in ["night sweats", "盗汗", "dao han", "Night sweat", "night swe", "thief sweat"] {
            assert!(exact(q, v), "{q}: {:?}\n{v:?}", read_query(&KNOWN, q));
        }
        for q in ["nihgt sweats", "盜汗", "daohna"] {
            assert!(loose(q, v), "{q}");
        }
        assert!(!exact("palpitations", v));
    }
    assert!(exact("盗汗 口干", &written));
    assert!(exact("2026-03 night sweats", &written));
    let none = visit(json!({ "absent": ["night-sweats"], "notes": "无盗汗" }));
    assert!(!none.contains(&"n:night-sweats".to_string()));
    let pulse = visit(json!({ "pulse": "浮, rapid", "tongue": "red" }));
    for q in ["浮脉", "floating pulse", "rapid pulse", "red tongue"] {
        assert!(exact(q, &pulse), "{q}: {pulse:?}");
    }
}

#[test]
fn free_text_is_read_only_where_asked() {
    let v: Visit = serde_json::from_value(json!({ "on": "2026-03-05", "notes": "盗汗" })).unwrap();
    let words = tokens_of_visit(&KNOWN, &v, FreeText::Words);
    assert_eq!(words, ["2026", "2026-03", "2026-03-05", "汗", "盗", "盗汗"]);
    assert!(tokens_of_visit(&KNOWN, &v, FreeText::Findings).contains(&"n:night-sweats".to_string()));
}

#[test]
fn a_dispensing_by_lot_and_formula() {
    let line = |substance: &str, lot: &str| DispensedLine {
        substance: substance.into(),
        product: "raw huang qi".into(),
        lot: lot.into(),
        grams: Exact(Rational::from(10)),
    };
    let d = Dispensing {
        prescription: "p".into(),
        number: "2026/118".into(),
        on: date(2026, 3, 5),
        dispenser: String::new(),
        preparation: "decoction".into(),
        days: 7,
        doses: None,
        lines: vec![line("huang-qi", "HQ-24/7b"), line("gui-zhi-tang", "G 9")],
        remarks: Vec::new(),
        price: None,
    };
    let tokens = tokens_of_dispensing(&KNOWN, &d);
    for q in ["hq247b", "HQ-24/7b", "G9", "桂枝汤", "astragalus", "2026/118"] {
        assert!(exact(q, &tokens), "{q}: {tokens:?}");
    }
}

#[test]
fn nothing_typed_asks_for_nothing() {
    for q in ["", "   ", "\"'()*", "\u{1f33f}", "\0", "; -- '"] {
        assert!(read_query(&KNOWN, q).is_empty(), "{q}");
        assert_eq!(read_query(&KNOWN, q).exact(&Vocabulary::default()), None);
        assert_eq!(read_query(&KNOWN, q).loose(&KNOWN, &Vocabulary::default()), None);
    }
    let long = "黄芪 wang ".repeat(2000);
    assert_eq!(read_query(&KNOWN, &long).parts.len(), 12);
    let _ = read_query(&KNOWN, &"a".repeat(10_000)).loose(&KNOWN, &Vocabulary::default());
    let _ = read_query(&KNOWN, &"王".repeat(10_000)).loose(&KNOWN, &Vocabulary::default());
}

/// An index as the store has it.
fn index(records: &[Vec<String>]) -> Connection {
    let db = Connection::open_in_memory().unwrap();
    db.execute_batch(
        r#"CREATE VIRTUAL TABLE t USING fts5(tokens, content='', detail=none, tokenize="unicode61 tokenchars ':-_.'")"#,
    )
    .unwrap();
    for (i, r) in (0i64..).zip(records) {
        db.execute("INSERT INTO t(rowid, tokens) VALUES (?1, ?2)", (i, r.join(" "))).unwrap();
    }
    db
}

fn matching(db: &Connection, expr: &Expr) -> Vec<usize> {
    let mut ask = db.prepare("SELECT rowid FROM t WHERE t MATCH ?1 ORDER BY rowid").unwrap();
    let rows = ask.query_map([fts5(expr)], |r| r.get::<_, i64>(0)).unwrap();
    rows.map(|r| r.unwrap() as usize).collect()
}

/// Words in an index of these tokens: as many as there are tokens, where it takes each for one word.
fn words_of_index(records: &[Vec<String>]) -> usize {
    let db = Connection::open_in_memory().unwrap();
    db.execute_batch(
        r#"CREATE VIRTUAL TABLE t USING fts5(tokens, content='', tokenize="unicode61 tokenchars ':-_.'");
           CREATE VIRTUAL TABLE v USING fts5vocab(t, 'row')"#,
    )
    .unwrap();
    for r in records {
        db.execute("INSERT INTO t(tokens) VALUES (?1)", [r.join(" ")]).unwrap();
    }
    db.query_row("SELECT total(cnt) FROM v", [], |r| r.get::<_, f64>(0)).unwrap() as usize
}

/// Every letter there is (of the many hanzi and syllables of Hangul one in sixteen), in the middle of a word: a token that
/// the index took for two words would be a phrase to it.
#[test]
fn every_letter_makes_one_word_for_the_index() {
    let many = |c: char| is_hanzi(c) || ('\u{ac00}'..='\u{d7a3}').contains(&c);
    let asked = |c: &char| c.is_alphanumeric() && (!many(*c) || (*c as u32).is_multiple_of(16));
    let letters: Vec<char> = ('\u{80}'..=char::MAX).filter(asked).collect();
    for some in letters.chunks(5000) {
        let of = |c: &char| tokens_of_person(&KNOWN, &Person { note: format!("x{c}y"), ..Person::default() });
        let records: Vec<Vec<String>> = some.iter().map(of).collect();
        let count = |r: &[Vec<String>]| r.iter().map(Vec::len).sum::<usize>();
        if words_of_index(&records) != count(&records) {
            let bad = |c: &&char| words_of_index(&[of(c)]) != of(c).len();
            let bad: Vec<String> = some.iter().filter(bad).map(|c| format!("{:x}", *c as u32)).collect();
            panic!("{}", bad.join(" "));
        }
    }
}

static WORDS: [&str; 24] = [
    "黄芪",
    "黃耆",
    "wang",
    "xiaoming",
    "王小明",
    "night",
    "sweats",
    "盗汗",
    "astrag",
    "1980-02-03",
    "gui",
    "zhi",
    "tang",
    "\"",
    "OR",
    "NEAR(",
    "*",
    "a:b",
    "-",
    "lv",
    "huang2",
    "x@y.z",
    "\0",
    "tokens:",
];

/// Anything, or words and marks that mean something to us or to a database.
fn typed() -> impl Strategy<Value = String> {
    let words = proptest::collection::vec(proptest::sample::select(&WORDS[..]), 0..9);
    prop_oneof![any::<String>(), words.prop_map(|w| w.join(" "))]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Whatever is typed: no panic, sound tokens, placeholders that fit.
    #[test]
    fn any_text_is_a_query(text in typed()) {
        let seen = visit(json!({ "findings": ["night-sweats"], "notes": text }));
        let records = vec![named(&["王小明"]), of_substances(&["huang-qi"]), seen];
        let v = vocabulary(&records);
        let db = index(&records);
        let query = read_query(&KNOWN, &text);
        prop_assert!(query.parts.len() <= 12);
        for expr in [query.exact(&v), query.loose(&KNOWN, &v)].into_iter().flatten() {
            let held: Vec<usize> = (0..records.len()).filter(|i| expr.holds(&records[*i])).collect();
            prop_assert_eq!(matching(&db, &expr), held);
            let (sql, params) = pg(&expr, 4);
            prop_assert_eq!(sql.matches('?').count(), params.len());
            for n in 0..params.len() {
                let placeholder = format!("?{},", 4 + n);
                prop_assert!(sql.contains(&placeholder));
            }
            for token in params.iter().flat_map(|p| p.split(' ')) {
                prop_assert!(!token.is_empty());
                prop_assert!(token.chars().all(|c| c.is_alphanumeric() || ":-_.".contains(c)), "{}", token);
            }
        }
        // What a record says finds it, as far as a query reaches.
        if let Some(expr) = query.exact(&v) {
            prop_assert!(expr.holds(&records[2]), "{:?}", expr);
        }
    }

    /// Records of any text hold sound tokens, sorted, each once.
    #[test]
    fn any_text_is_a_record(text in any::<String>()) {
        let p = Person { names: vec![text.clone()], number: text.clone(), phone: text.clone(), email: text.clone(), ..Person::default() };
        let tokens = tokens_of_person(&KNOWN, &p);
        prop_assert!(tokens.is_sorted_by(|a, b| a < b));
        for token in &tokens {
            prop_assert!(token.chars().all(|c| c.is_alphanumeric() || ":-_.".contains(c)), "{}", token);
        }
    }
}

#[test]
#[ignore = "prints times; run it with --release"]
fn times() {
    let mut seed = 9u64;
    let mut random = |n: usize| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) as usize % n
    };
    // Words of syllables, so that many are near to each other.
    let starts = ["w", "x", "zh", "ch", "h", "l", "m", "b", "t", "s", "q", "j", "k", ""];
    let ends = ["ang", "iao", "ing", "uang", "i", "en", "ian", "u", "ong", "ei", "er", "at"];
    let mut v = Vocabulary::default();
    while v.len() < 60_000 {
        let word: String = (0..2 + random(3)).map(|_| format!("{}{}", starts[random(14)], ends[random(12)])).collect();
        v.add(&word, 1 + random(100) as u32);
    }
    for word in ["wangxiaoming", "xiaoming", "sweats", "xing", "wngxiaoming", "chuangzhuangshuang"] {
        let (mut worst, mut found) = (0, 0);
        for _ in 0..20 {
            let start = Instant::now();
            found = v.expand(word, How::Slip).len();
            worst = worst.max(start.elapsed().as_micros());
        }
        println!("slips of {word}: {found} in {worst} us at worst");
    }
    let start = Instant::now();
    v.expand("x", How::Prefix);
    println!("completions of x: {} us", start.elapsed().as_micros());
    let start = Instant::now();
    let known = Knowledge::new(&MATERIA, &TERMS);
    println!("knowledge: {} ms", start.elapsed().as_millis());
    for q in ["wang xiaoming", "hunag qi", "nihgt sweats and feever for three weeks", "王小明", "黄芪盗汗口干当归柴胡"]
    {
        let start = Instant::now();
        let query = read_query(&known, q);
        let read = start.elapsed().as_micros();
        let start = Instant::now();
        query.exact(&v);
        let exact = start.elapsed().as_micros();
        let start = Instant::now();
        query.loose(&known, &v);
        println!("{q}: read {read} us, exact {exact} us, loose {} us", start.elapsed().as_micros());
    }
    let notes =
        "近来夜间盗汗，口干，心烦。 Night sweats for two weeks, worse after coffee; sleeps badly, wakes at three. "
            .repeat(4);
    let v: Visit = serde_json::from_value(json!({ "on": "2026-03-05", "notes": notes })).unwrap();
    for how in [FreeText::Words, FreeText::Findings] {
        let start = Instant::now();
        tokens_of_visit(&known, &v, how);
        println!("a visit, {how:?}: {} us", start.elapsed().as_micros());
    }
}
