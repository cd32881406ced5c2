//! `differentiate` and `modify`, run as a user runs them.

use std::process::Output;

use fangwright_checks::binary::{Folder, run};
use serde_json::Value;

fn json(o: &Output) -> Value {
    serde_json::from_slice(&o.stdout).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&o.stdout)))
}

fn text(o: &Output) -> String {
    String::from_utf8_lossy(&o.stdout).into_owned() + &String::from_utf8_lossy(&o.stderr)
}

fn leading(v: &Value) -> Vec<String> {
    let list = v["result"]["judgement"]["patterns"].as_array().unwrap();
    list.iter().take(3).map(|p| p["pattern"].as_str().unwrap().to_string()).collect()
}

#[test]
fn findings_in_two_languages_come_to_the_same_pattern() {
    let english =
        json(&run(&["differentiate", "--json", "fatigue, poor appetite, loose stool, pale tongue, weak pulse"]));
    let chinese = json(&run(&["differentiate", "--json", "乏力、食欲不振、大便溏，舌淡，脉弱"]));
    assert_eq!(leading(&english)[0], "spleen-qi-deficiency");
    assert_eq!(leading(&english), leading(&chinese));
    // Each finding with its points, what is unexplained, and what to ask next.
    let first = &english["result"]["judgement"]["patterns"][0];
    let sum: i64 = first["lines"].as_array().unwrap().iter().map(|l| l["points"].as_i64().unwrap()).sum();
    assert_eq!(first["points"].as_i64().unwrap(), sum);
    assert!(!english["result"]["judgement"]["questions"].as_array().unwrap().is_empty());
    // The answer to the question changes the order or the points.
    let ask = english["result"]["judgement"]["questions"][0]["finding"].as_str().unwrap().to_string();
    let no = json(&run(&[
        "differentiate",
        "--json",
        "fatigue, poor appetite, loose stool, pale tongue, weak pulse",
        "--no",
        &ask,
    ]));
    assert_ne!(no["result"]["judgement"]["patterns"], english["result"]["judgement"]["patterns"]);
    let unknown = json(&run(&[
        "differentiate",
        "--json",
        "fatigue, poor appetite, loose stool, pale tongue, weak pulse",
        "--unknown",
        &ask,
    ]));
    let asked = unknown["result"]["judgement"]["questions"].as_array().unwrap().clone();
    assert!(asked.iter().all(|q| q["finding"] != ask.as_str()), "{asked:?}");
}

#[test]
fn red_flags_come_before_everything() {
    for (said, word) in [
        ("crushing chest pain with sweating", "REFER NOW"),
        ("sudden worst headache of my life", "REFER NOW"),
        ("black stools, dizzy", "REFER"),
        ("pregnant, vaginal bleeding", "REFER"),
        ("high fever, stiff neck", "REFER NOW"),
        ("thoughts of suicide", "REFER NOW"),
        ("胸痛 大汗", "REFER NOW"),
    ] {
        let said_text = text(&run(&["differentiate", said]));
        assert!(said_text.starts_with("REFER"), "{said}: {said_text}");
        assert!(said_text.contains(word), "{said}: {said_text}");
    }
    let calm = text(&run(&["differentiate", "poor appetite, loose stool, no chest pain, no black stools"]));
    assert!(!calm.contains("REFER"), "{calm}");
}

#[test]
fn bad_input_has_a_clear_answer() {
    let o = run(&["differentiate", ""]);
    assert_eq!(o.status.code(), Some(1));
    assert!(text(&o).contains("no finding was read"), "{}", text(&o));
    let o = run(&["differentiate", "thirst, no thirst, sweating, 无汗"]);
    assert_eq!(o.status.code(), Some(1));
    assert!(text(&o).contains("Contradiction"), "{}", text(&o));
    let o = run(&["differentiate", "fever, glorpitude"]);
    assert_eq!(o.status.code(), Some(1));
    assert!(text(&o).contains("Not read: `glorpitude`"), "{}", text(&o));
    assert_eq!(run(&["differentiate", "fever", "--who", "martian"]).status.code(), Some(1));
    for age in ["0", "130", "0 days"] {
        let o = run(&["modify", "Si Jun Zi Tang", "--need", "raise-yang", "--age", age]);
        assert!(!text(&o).contains("panicked"), "{age}: {}", text(&o));
    }
    assert_eq!(run(&["modify", "Si Jun Zi Tang", "--need", "raise-yang", "--age", "131"]).status.code(), Some(1));
    assert_eq!(run(&["modify", "Si Jun Zi Tang"]).status.code(), Some(1));
    assert_eq!(run(&["modify", "Si Jun Zi Tang", "--for", "no-such"]).status.code(), Some(1));
    assert_eq!(run(&["modify", "--need", "raise-yang"]).status.code(), Some(1));
    let o = run(&["modify", "Si Jun Zi Tang", "--need", "raise-yang", "--most-ingredients", "0"]);
    assert_eq!(o.status.code(), Some(1));
    assert!(text(&o).contains("cannot hold together"), "{}", text(&o));
}

#[test]
fn stock_and_price_are_kept() {
    let dir = Folder::new(
        "stock",
        &[("stock.txt", "人参 20\n白术 1.5\n炙甘草 1\n茯苓 1\nHuang Qi 0.8\n柴胡 1\nSheng Ma 2\n")],
    );
    let stock = dir.file("stock.txt");
    let v = json(&run(&["modify", "--json", "Si Jun Zi Tang", "--need", "raise-yang", "--stock", &stock]));
    for p in v["result"]["modified"]["proposals"].as_array().unwrap() {
        for l in p["lines"].as_array().unwrap().iter().filter(|l| l["fate"] == "added") {
            assert!(["huang-qi", "chai-hu", "sheng-ma"].contains(&l["substance"].as_str().unwrap()), "{l}");
        }
    }
    let o = run(&[
        "modify",
        "Si Jun Zi Tang",
        "--need",
        "raise-yang",
        "--stock",
        &stock,
        "--most-price",
        "1",
        "--keep",
        "人参",
    ]);
    assert_eq!(o.status.code(), Some(1));
    assert!(text(&o).contains("at most 1.00 a day"), "{}", text(&o));
    std::fs::write(&stock, "人参 20\nqwerty 3\n").unwrap();
    let o = run(&["modify", "Si Jun Zi Tang", "--need", "raise-yang", "--stock", &stock]);
    assert!(text(&o).contains("stock.txt:2"), "{}", text(&o));
}
