//! The whole record on paper: every fact is in the data, and what was not asked says so.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use fangwright_clinic::model::*;
use fangwright_clinic::paper::record_pages;
use fangwright_materia::Materia;
use jiff::civil::date;
use serde_json::{Value, json};

/// A record of what `body` says; the model reads it as the store would.
fn kept<B: Body>(id: &str, body: Value) -> Kept<B> {
    Kept {
        id: id.into(),
        person: "p-1".into(),
        version: 2,
        written: "2031-05-04T09:08:07Z".parse().unwrap(),
        by: "r.bramble".into(),
        record: serde_json::from_value(body).unwrap(),
    }
}

fn empty() -> Whole {
    Whole {
        person: kept("p-1", json!({ "names": ["Testa Nobody"] })),
        visits: Vec::new(),
        prescriptions: Vec::new(),
        dispensings: Vec::new(),
        measures: Vec::new(),
        readings: Vec::new(),
        appointments: Vec::new(),
        attachments: Vec::new(),
    }
}

fn reading(n: usize, day: &str, value: Value, note: &str) -> Kept<Reading> {
    let visit = (n == 0).then_some("v-1");
    kept(&format!("r-{n}"), json!({ "measure": "m-1", "on": day, "value": value, "visit": visit, "note": note }))
}

fn rich() -> Whole {
    let first = json!({
        "on": "2031-03-02", "practitioner": "r.bramble", "complaint": "Cold hands {at} night",
        "notes": "First line of the story.\r\nSecond line, \u{7}with a stray sign.",
        "findings": ["fear-of-cold", "finding-of-nobody"], "absent": ["thirst"], "tongue": "pale, wet", "pulse": "deep",
        "patterns": ["kidney-yang-deficiency"], "reasoning": "Because of the cold.", "plan": "Warm; see again.",
        "flags": ["Chest pain: sent to hospital, seen there"],
    });
    let items = json!([
        { "name": "黄芪", "substance": "huang-qi", "grams": 15 },
        { "name": "Fuzi, the good one", "substance": "fu-zi", "grams": "1/3", "pot": ["cook first"] },
        { "name": "a root from the garden" },
    ]);
    let signed = json!({
        "by": "r.bramble", "at": "2031-03-02T10:11:12Z", "hash": "ab".repeat(32),
        "findings": [
            { "key": "k-1", "rule": "rule-1", "severity": "grave", "title": "Watch the heart", "set_aside": "seen by the heart clinic" },
            { "key": "k-2", "rule": "rule-2", "severity": "note", "title": "A small thing" },
        ],
        "not_checked": ["the root from the garden"],
    });
    let rx = json!({
        "on": "2031-03-02", "visit": "v-1", "title": "Warming draught", "formula": "gui-zhi-tang", "items": items,
        "form": "granules", "granule_ratio": 5, "days": 7, "doses": 2, "directions": "After meals, warm.",
        "patterns": ["kidney-yang-deficiency"], "signed": signed,
        "overrides": [
            { "finding": "k-1", "reason": "seen by the heart clinic", "by": "r.bramble", "at": "2031-03-02", "confirmed": true },
            { "finding": "k-9", "reason": "no longer so" },
        ],
        "withdrawn": { "by": "q.thistle", "at": "2031-03-09T08:00:00Z", "why": "rash on the arm" },
    });
    let child = json!({
        "on": "2031-03-09", "items": [{ "name": "gan cao", "substance": "gan-cao", "grams": 3 }], "parent": "x-1",
        "why": "without the aconite",
    });
    let given = json!({
        "prescription": "x-1", "number": "D-77", "on": "2031-03-03", "dispenser": "q.thistle", "preparation": "single-granules",
        "days": 7, "doses": 2, "remarks": ["keep it dry"], "price": "12.50",
        "lines": [{ "substance": "huang-qi", "product": "hq-g", "lot": "LOT-1", "grams": 21 },
            { "substance": "huang-qi", "product": "hq-g", "lot": "LOT-2", "grams": "0.125" }],
    });
    let lost = json!({ "prescription": "x-gone", "number": "D-78", "on": "2031-03-04", "preparation": "a tea", "days": 1,
        "lines": [{ "substance": "gan-cao", "grams": 4 }] });
    Whole {
        person: kept(
            "p-1",
            json!({
                "names": ["Testa Nobody", "测试人"], "born": "1971-06-05", "sex": "female", "number": "F-0099", "phone": "000 111",
                "email": "testa@example.org", "pregnant": { "yes": false, "asked": "2031-03-02" },
                "weights": [{ "on": "2031-03-02", "kg": "61.25" }], "allergies": ["allergy-asteraceae", "blue paint"], "medicines": [],
                "conditions": [{ "name": "hypertension", "since": "2020-01-01", "until": "2029-12-31" }],
                "operation": { "asked": "2031-03-02" }, "athlete": false,
                "consents": [{ "to": "research", "given": false, "on": "2031-03-02", "note": "ask again" }],
            }),
        ),
        visits: vec![kept("v-1", first), kept("v-2", json!({ "on": "2031-03-16" }))],
        prescriptions: vec![kept("x-1", rx), kept("x-2", child)],
        dispensings: vec![kept("d-1", given), kept("d-2", lost)],
        measures: vec![kept("m-1", json!({ "name": "Cold hands", "least": 0, "most": 10, "unit": "" }))],
        readings: vec![
            reading(0, "2031-03-02", json!(8), ""),
            reading(1, "2031-03-09", json!("7.5"), "a warm week"),
            reading(2, "2031-03-16", json!(3), ""),
            kept("r-3", json!({ "measure": "m-gone", "on": "2031-03-16", "value": 4 })),
        ],
        appointments: vec![kept(
            "a-1",
            json!({ "on": "2031-03-30", "at": "14:30:00", "purpose": "call", "with": "r.bramble", "about": "how it went" }),
        )],
        attachments: vec![kept(
            "t-1",
            json!({ "on": "2031-03-02", "shows": "tongue", "media": "image/jpeg", "title": "Tongue in daylight", "visit": "v-1",
                "bytes": 4321, "sha256": "cd".repeat(32) }),
        )],
    }
}

fn pages(whole: &Whole, language: &str) -> Value {
    let names = FullNames::from([("r.bramble".to_string(), "Dr Rosa Bramble".to_string())]);
    let pictures = [("t-1".to_string(), "picture-1.jpg".to_string())];
    let m = Materia::embedded();
    record_pages(&m, whole, &names, "House of Tests", language, &pictures, date(2031, 6, 4))
}

/// The row of a key.
fn row<'a>(rows: &'a Value, key: &str) -> &'a Value {
    rows.as_array().unwrap().iter().find(|r| r["key"] == key).unwrap_or_else(|| panic!("no row `{key}`"))
}

#[test]
fn every_fact_is_there() {
    let page = pages(&rich(), "en");
    let mut printed = page.clone();
    printed["words"] = Value::Null;
    let text = printed.to_string();
    for fact in [
        "Testa Nobody",
        "测试人",
        "1971-06-05",
        "59 years",
        "female",
        "F-0099",
        "000 111",
        "testa@example.org",
        "61.25\u{a0}kg",
        "blue paint",
        "high blood pressure",
        "until 2029-12-31",
        "none planned (asked on 2031-03-02)",
        "Research",
        "not given",
        "ask again",
        "Dr Rosa Bramble",
        "Cold hands {at} night",
        "First line of the story.\\nSecond line, with a stray sign.",
        "finding-of-nobody",
        "pale, wet",
        "deep",
        "Because of the cold.",
        "Warm; see again.",
        "Chest pain: sent to hospital",
        "Warming draught",
        "桂枝汤",
        "黄芪",
        "Huáng Qí",
        "1/3 g",
        "as written: Fuzi, the good one",
        "cook first",
        "a root from the garden",
        "no weight written",
        "5 g raw in 1 g",
        "After meals, warm.",
        "Watch the heart",
        "seen by the heart clinic",
        "a second time",
        "A small thing",
        "no longer so",
        "the root from the garden",
        "Withdrawn by q.thistle, 2031-03-09 08:00 UTC: rash on the arm",
        "Signed by Dr Rosa Bramble, 2031-03-02 10:11 UTC",
        "without the aconite",
        "D-77",
        "LOT-1",
        "LOT-2",
        "0.125 g",
        "keep it dry",
        "12.50",
        "D-78",
        "not in this record: x-gone",
        "not in this record: m-gone",
        "7.5",
        "a warm week",
        "0 to 10",
        "less is better",
        "14:30",
        "call by the clinic",
        "how it went",
        "Tongue in daylight",
        "4321 bytes",
        "picture-1.jpg",
        "version 2, written 2031-05-04 09:08 UTC",
    ] {
        assert!(text.contains(fact), "`{fact}` is missing");
    }
    for hash in ["ab".repeat(32), "cd".repeat(32)] {
        assert!(text.contains(&hash));
    }
    // Everything has its place.
    let visit = &page["visits"][0];
    assert_eq!(visit["prescriptions"].as_array().unwrap().len(), 1);
    let rx = &visit["prescriptions"][0];
    assert_eq!(rx["dispensings"][0]["lines"].as_array().unwrap().len(), 2);
    assert_eq!((rx["state"].as_str(), rx["total"].as_str()), (Some("withdrawn"), Some("")));
    assert_eq!(row(&rx["rows"], "record-replaced")["items"][0], "Prescription 2");
    assert_eq!(rx["overrides"].as_array().unwrap().len(), 1);
    assert_eq!(row(&visit["rows"], "record-readings")["items"][0], "Cold hands: 8");
    let apart = &page["prescriptions_apart"][0];
    assert_eq!(row(&apart["rows"], "record-parent")["items"][0], "Prescription 1");
    assert_eq!((apart["state_word"].as_str(), apart["total"].as_str()), (Some("draft, not signed"), Some("3 g")));
    assert_eq!(page["dispensings_apart"].as_array().unwrap().len(), 1);
    assert_eq!(page["measures"].as_array().unwrap().len(), 2);
    let chart = &page["measures"][0]["chart"];
    assert_eq!(chart["points"], json!([[0.0, 0.8, "8"], [0.5, 0.75, "7.5"], [1.0, 0.3, "3"]]));
    assert!(page["measures"][1]["chart"].is_null());
}

#[test]
fn not_asked_is_not_none() {
    let page = pages(&rich(), "en");
    let state = |key: &str| (row(&page["known"], key)["state"].clone(), row(&page["known"], key)["items"][0].clone());
    assert_eq!(state("record-medicines"), (json!("none"), json!("none")));
    for key in ["record-diets", "record-breast-feeding", "record-height", "record-g6pd"] {
        assert_eq!(state(key), (json!("not-asked"), json!("not asked")), "{key}");
    }
    assert_eq!(state("record-athlete"), (json!("given"), json!("no")));
    // A visit of which nothing was written says so.
    let missing = page["visits"][1]["missing"].as_array().unwrap();
    for key in ["record-complaint", "record-notes", "record-tongue", "record-pulse", "record-plan"] {
        assert!(missing.contains(&json!(key)), "{key}");
    }
}

#[test]
fn a_person_alone_has_pages_too() {
    for (language, not_asked) in [("en", "not asked"), ("zh", "未询问"), ("zh-hant", "未詢問")] {
        let page = pages(&empty(), language);
        let known = page["known"].as_array().unwrap();
        assert!(known.len() >= 11);
        assert!(known.iter().all(|r| r["state"] == "not-asked" && r["items"] == json!([not_asked])), "{page}");
        assert_eq!(row(&page["person"], "record-born")["items"][0], not_asked);
        assert_eq!(row(&page["person"], "phone")["state"], "not-written");
        assert_eq!(page["number"], "p-1");
        for list in [
            "visits",
            "prescriptions_apart",
            "dispensings_apart",
            "measures",
            "appointments",
            "attachments",
            "consents",
        ] {
            assert_eq!(page[list], json!([]), "{list}");
        }
    }
}

#[test]
fn words_are_of_the_language() {
    let simplified = pages(&rich(), "zh");
    let traditional = pages(&rich(), "zh-hant");
    let herb = |page: &Value| page["visits"][0]["prescriptions"][0]["lines"][0]["hanzi"].clone();
    assert_eq!((herb(&simplified), herb(&traditional)), (json!("黄芪"), json!("黃芪")));
    assert_eq!((traditional["lang"].as_str(), traditional["region"].as_str()), (Some("zh"), Some("TW")));
    assert_eq!(traditional["words"]["record-allergies"], "過敏");
    // Every key that the data names has a word in the library.
    fn keys(value: &Value, all: &mut Vec<String>) {
        match value {
            Value::Array(list) => list.iter().for_each(|v| keys(v, all)),
            Value::Object(map) => {
                all.extend(
                    map.get("key")
                        .filter(|_| map.contains_key("items") || map.contains_key("n"))
                        .and_then(Value::as_str)
                        .map(String::from),
                );
                all.extend(
                    map.get("missing")
                        .and_then(Value::as_array)
                        .into_iter()
                        .flatten()
                        .filter_map(Value::as_str)
                        .map(String::from),
                );
                map.values().for_each(|v| keys(v, all));
            }
            _ => {}
        }
    }
    let mut all = Vec::new();
    keys(&simplified, &mut all);
    keys(&pages(&empty(), "zh"), &mut all);
    assert!(all.len() > 30);
    for key in all {
        assert!(simplified["words"][&key].is_string(), "no phrase `{key}`");
    }
}
