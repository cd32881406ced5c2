//! `check`, `rules` and `check --batch`, run as a user runs them.

use std::fs;
use std::process::Output;

use fangwright_checks::binary::{Folder, run};
use serde_json::{Value, json};

fn json(o: &Output) -> Value {
    serde_json::from_slice(&o.stdout).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&o.stdout)))
}

fn text(o: &Output) -> String {
    String::from_utf8_lossy(&o.stdout).into_owned()
}

fn complaint(o: &Output) -> String {
    String::from_utf8_lossy(&o.stderr).into_owned()
}

/// All findings, folded ones too, as rule and severity.
fn found(v: &Value) -> Vec<(String, String)> {
    let mut list = Vec::new();
    for f in v["result"]["report"]["findings"].as_array().unwrap() {
        for f in std::iter::once(f).chain(f["folded"].as_array().unwrap()) {
            list.push((f["rule"].as_str().unwrap().to_string(), f["severity"].as_str().unwrap().to_string()));
        }
    }
    list
}

#[test]
fn exit_code_three_says_that_something_grave_stands() {
    let o = run(&["check", "甘遂 1g 甘草 6g"]);
    assert_eq!(o.status.code(), Some(3), "{}", text(&o));
    assert!(text(&o).contains("GRAVE"));
    let calm = ["--age", "40", "--sex", "male", "--no-other-conditions", "--no-other-medicines"];
    let calm = [&calm[..], &["--no-other-allergies", "--no-surgery", "--days", "7", "--law", "us"]].concat();
    let o = run(&[&["check", "白术 9g 茯苓 9g 陈皮 6g"][..], &calm].concat());
    assert_eq!(o.status.code(), Some(0), "{}", text(&o));
    // A clean result says what was looked at, and promises nothing.
    let clean = text(&o);
    assert!(
        clean.contains("Looked at") && clean.contains("Not looked at") && clean.contains("not a promise"),
        "{clean}"
    );
    assert!(!clean.to_lowercase().contains("safe"), "{clean}");
}

#[test]
fn what_cannot_be_checked_is_said() {
    let o = run(&[
        "check",
        "--json",
        "甘草 6g, 木通 6g, qwertyuiop 3g, 茯苓, 麻黄 6g",
        "--medicine",
        "warfrin",
        "--condition",
        "purple ear",
    ]);
    let rules: Vec<String> = found(&json(&o)).into_iter().map(|f| f.0).collect();
    for gap in ["gap-name", "gap-several", "gap-weight", "gap-medicine", "gap-condition", "gap-patient", "gap-length"] {
        assert!(rules.iter().any(|r| r == gap), "{gap} is not among {rules:?}");
    }
    let said = text(&run(&["check", "甘草 6g", "--medicine", "warfrin"]));
    assert!(said.contains("did you mean warfarin?"), "{said}");
    let said = text(&run(&["check", "甘草 6g", "--law", "atlantis"]));
    assert!(said.contains("`atlantis` is not covered"), "{said}");
}

#[test]
fn an_override_needs_a_reason_and_for_the_deadly_class_a_second_word() {
    let rx = "生附子 15g 先煎, 干姜 9g, 炙甘草 6g";
    let o = run(&["check", "--json", rx]);
    let v = json(&o);
    let deadly: Vec<String> = v["result"]["report"]["findings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|f| f["severity"] == "deadly")
        .map(|f| f["key"].as_str().unwrap().to_string())
        .collect();
    assert!(!deadly.is_empty(), "{v:#}");
    let key = &deadly[0];
    let bare = run(&["check", "--json", rx, "--override", &format!("{key}=")]);
    let refused = |o: &Output| json(o)["result"]["report"]["refused"].as_array().unwrap().len();
    assert_eq!((refused(&bare), bare.status.code()), (1, Some(3)));
    let once = run(&["check", "--json", rx, "--override", &format!("{key}=boiled two hours, in hospital")]);
    assert_eq!((refused(&once), once.status.code()), (1, Some(3)));
    let given = format!("{key}=boiled two hours, in hospital");
    let twice = run(&["check", "--json", rx, "--override", &given, "--confirm", key, "--by", "Dr Example"]);
    let v = json(&twice);
    assert_eq!(refused(&twice), 0, "{v:#}");
    assert_eq!(v["result"]["report"]["overridden"][0]["key"], key.as_str());
    // It travels with the prescription: the case given back is checked with it.
    let dir = Folder::new("override", &[("case.json", &v.to_string())]);
    let again = json(&run(&["check", "--json", "--case", &dir.file("case.json")]));
    assert_eq!(again["result"]["report"], v["result"]["report"]);
    assert_eq!(again["result"]["case"]["overrides"][0]["by"], "Dr Example");
    // A dose that was raised since is a finding of its own.
    let raised = rx.replace("15g", "60g");
    let dose = json(&run(&["check", "--json", "附子 40g 先煎"]));
    let all = dose["result"]["report"]["findings"].as_array().unwrap().clone();
    let folded = all.iter().flat_map(|f| std::iter::once(f).chain(f["folded"].as_array().unwrap()));
    let key = folded.map(|f| f["key"].as_str().unwrap()).find(|k| k.starts_with("dose-")).unwrap().to_string();
    assert!(key.ends_with(":40"), "{key}");
    let o = run(&["check", "--json", "附子 60g 先煎", "--override", &format!("{key}=meant")]);
    assert_eq!((refused(&o), o.status.code()), (1, Some(3)), "{raised}");
    assert_eq!(run(&["check", rx, "--confirm", "no-such-key"]).status.code(), Some(1));
    assert_eq!(run(&["check", rx, "--override", "no-reason"]).status.code(), Some(1));
}

#[test]
fn a_clinic_adds_changes_and_switches_off_rules() {
    let rules = r#"
[sources]
our-clinic = { title = "House rule of the clinic", author = "us", year = 2026, kind = "practice" }

[[rule]]
id = "house-dang-gui-night"
kind = "present"
title = "Dang Gui is out of stock quality"
severity = "grave"
topic = "house"
substances = ["dang-gui"]
reason = "The last batch was damp."
do = "Wait for the new batch."
evidence = "theory"
provenance = [{ source = "our-clinic", how = "read" }]

[[rule]]
id = "circ-dan-shen-vka"
severity = "deadly"

[[rule]]
id = "whole-many"
off = true
"#;
    let dir = Folder::new("clinic", &[("safety/clinic.toml", rules)]);
    let file = dir.file("safety/clinic.toml");
    let data = ["--data", dir.path()];
    let v = json(&run(&[&["check", "--json", "酒当归 9g 丹参 9g", "--medicine", "warfarin"], &data[..]].concat()));
    let list = found(&v);
    assert!(list.contains(&("house-dang-gui-night".into(), "grave".into())), "{list:?}");
    assert!(list.contains(&("circ-dan-shen-vka".into(), "deadly".into())), "{list:?}");
    let o = run(&[&["rules", "--own"], &data[..]].concat());
    assert!(text(&o).contains("house-dang-gui-night") && text(&o).contains("1 are switched off"), "{}", text(&o));
    let looked = text(&run(&[&["check", "甘草 3g"], &data[..]].concat()));
    assert!(looked.contains("1 rules that the clinic has switched off"), "{looked}");
    // Mistakes stop the start, with the place and the mend; every command, not only the check.
    for (wrong, what) in [
        ("[[rule]]\nid = \"x\"\nkind = \"pair\"", "has no"),
        ("[[rule]]\nid = \"whole-many\"\nseverity = \"awful\"", "awful"),
        ("[[rule]]\nid = \"whole-many\"\nwith = [\"gan-cao\"]", "does not belong"),
        ("[[rule]]\nid = \"whole-many\"\nover = \"much\"", "much"),
        ("[[rule]]\nid = \"circ-dan-shen-vka\"\nsubstances = [\"dan-shn\"]", "dan-shen"),
        ("[[rule]]\nid = \"circ-dan-shen-vka\"\nmedicines = [\"warfarinn\"]", "warfarin"),
        ("[[rule]\nid = ", "correct this place"),
        ("[conditions]\nx = { zh = \"x\", en = \"x\", kind = \"state\", implies = [\"pregnent\"] }", "pregnent"),
    ] {
        fs::write(&file, wrong).unwrap();
        for command in [&["check", "甘草 3g"][..], &["show", "gan-cao"]] {
            let o = run(&[command, &data].concat());
            assert_eq!(o.status.code(), Some(1), "{wrong}: {}", text(&o));
            let said = complaint(&o);
            assert!(said.contains(what) && said.contains("clinic.toml:"), "{wrong}: {said}");
            assert!(o.stdout.is_empty(), "{wrong}");
        }
    }
    // A single file of rules does as well.
    fs::write(&file, "[[rule]]\nid = \"whole-many\"\nwhat = \"ingredients\"\nover = \"2\"\n").unwrap();
    let o = run(&["check", "甘草 3g 当归 3g 白术 3g", "--rules", &file]);
    assert!(text(&o).contains("Unusually many ingredients"), "{}", text(&o));
    assert_eq!(run(&["check", "甘草 3g", "--rules", "/no/such/file"]).status.code(), Some(1));
}

#[test]
fn rules_are_listed_searched_and_explained() {
    let all = json(&run(&["rules", "--json"]));
    let held = all["result"]["held"].as_u64().unwrap();
    assert_eq!(all["result"]["rules"].as_array().unwrap().len() as u64, held);
    let o = run(&["rules", "incompatible-gan-cao-gan-sui"]);
    let said = text(&o);
    assert!(
        said.contains("Gān Suì 甘遂") && said.contains("on purpose") && said.contains("incompatible.toml:"),
        "{said}"
    );
    let o = text(&run(&["rules", "--kind", "medicine", "grapefruit"]));
    assert!(o.contains("rules"), "{o}");
    let of = json(&run(&["rules", "--json", "--of", "甘草", "--severity", "grave"]));
    assert!(!of["result"]["rules"].as_array().unwrap().is_empty());
    assert_eq!(run(&["rules", "no-such-word-anywhere"]).status.code(), Some(1));
    assert_eq!(run(&["rules", "--kind", "odd"]).status.code(), Some(1));
}

#[test]
fn a_batch_goes_on_after_a_bad_line_and_says_which() {
    let dir = Folder::new("batch", &[]);
    let path = dir.file("rx.jsonl");
    let good = json!({"id": "a", "items": [{"name": "甘遂", "grams": 1}, {"name": "gan cao", "grams": "3/2"}]});
    let decimal = json!({"id": "b", "items": [{"name": "附子", "grams": 15.5, "pot": ["cook first"]}], "days": 3});
    let as_text = json!({"id": "c", "prescription": "细辛 9g", "patient": {"pregnant": true}});
    let lines = [
        good.to_string(),
        String::new(),
        "{\"id\": \"broken\"".into(),
        json!({"items": [{"name": "甘草", "grams": -1}]}).to_string(),
        json!({"items": [{"name": "甘草", "grams": 1}], "patient": {"age": "old"}}).to_string(),
        json!({"id": "none"}).to_string(),
        json!({"items": [{"substance": "no-such-id"}]}).to_string(),
        "\u{1F33F} nothing of the kind".into(),
        decimal.to_string(),
        as_text.to_string(),
    ];
    // The last line is cut off in the middle.
    let mut all = lines.join("\n");
    all.push_str("\n{\"items\": [{\"name\": \"甘");
    fs::write(&path, &all).unwrap();
    let to = dir.file("out.jsonl");
    let o = run(&["check", "--batch", &path, "--out", &to, "--json"]);
    let v = json(&o);
    assert_eq!(o.status.code(), Some(3));
    assert_eq!((&v["result"]["checked"], &v["result"]["unreadable"]), (&json!(3), &json!(7)), "{v:#}");
    let problems: Vec<u64> =
        v["result"]["problems"].as_array().unwrap().iter().map(|p| p[0].as_u64().unwrap()).collect();
    assert_eq!(problems, [3, 4, 5, 6, 7, 8, 11]);
    let out = fs::read_to_string(&to).unwrap();
    let rows: Vec<Value> = out.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(rows.len(), 10);
    assert_eq!(rows[0]["id"], "a");
    let has = |row: &Value, rule: &str| row["findings"].as_array().unwrap().iter().any(|f| f[0] == rule);
    assert!(has(&rows[0], "incompatible-gan-cao-gan-sui"), "{}", rows[0]);
    assert!(has(&rows[7], "dose-above-toxic") && !has(&rows[7], "pot-cook-first-toxic"), "{}", rows[7]);
    assert_eq!(rows[8]["line"], 10);
    // The same with one thread and with several.
    let one = dir.file("one.jsonl");
    run(&["check", "--batch", &path, "--out", &one, "--threads", "1"]);
    assert_eq!(fs::read_to_string(&one).unwrap(), out);
    // No file, an empty file, a file that only begins like Parquet.
    assert_eq!(run(&["check", "--batch", "/no/such/file"]).status.code(), Some(1));
    fs::write(&path, "").unwrap();
    assert_eq!(run(&["check", "--batch", &path]).status.code(), Some(0));
    fs::write(&path, "PAR1 and then something else").unwrap();
    let o = run(&["check", "--batch", &path]);
    assert_eq!(o.status.code(), Some(1));
    assert!(complaint(&o).contains("Parquet"), "{}", complaint(&o));
    fs::write(&path, [0u8, 159, 146, 150, b'\n'].repeat(50)).unwrap();
    assert_eq!(json(&run(&["check", "--batch", &path, "--json"]))["result"]["unreadable"], 50);
}

#[test]
fn a_child_has_its_share_by_the_rule_that_is_named() {
    let child = |more: &[&str]| {
        let args = [&["check", "--json", "麻黄 9g", "--age", "6"], more].concat();
        json(&run(&args))
    };
    let rule = |v: &Value| {
        let all = v["result"]["report"]["findings"].as_array().unwrap().clone();
        let flat: Vec<Value> = all
            .iter()
            .flat_map(|f| std::iter::once(f.clone()).chain(f["folded"].as_array().unwrap().clone()))
            .collect();
        flat.iter().find(|f| f["kind"] == "child").map(|f| (f["rule"].clone(), f["details"][0].clone()))
    };
    let (by_age, said) = rule(&child(&[])).unwrap();
    assert_eq!(by_age, "child-young");
    assert!(said.as_str().unwrap().contains("young 0.333"), "{said}");
    let (by_weight, _) = rule(&child(&["--weight", "20"])).unwrap();
    assert_eq!(by_weight, "child-clark");
    let (by_surface, said) = rule(&child(&["--weight", "20", "--height", "115"])).unwrap();
    assert_eq!(by_surface, "child-surface");
    assert!(said.as_str().unwrap().contains("surface 0.462"), "{said}");
    let (asked, _) = rule(&child(&["--weight", "20", "--child-rule", "ages"])).unwrap();
    assert_eq!(asked, "child-ages");
    assert_eq!(run(&["check", "甘草 3g", "--age", "minus two"]).status.code(), Some(1));
    assert_eq!(run(&["check", "甘草 3g", "--weight", "0"]).status.code(), Some(1));
    assert_eq!(run(&["check", "甘草 3g", "--child-rule", "guess"]).status.code(), Some(1));
}

#[test]
fn granules_are_judged_by_the_raw_drug_they_stand_for() {
    let check = |ratio: &[&str]| {
        let v = json(&run(&[&["check", "--json", "附子 6g", "--form", "granules"], ratio].concat()));
        found(&v).into_iter().map(|f| f.0).collect::<Vec<_>>()
    };
    assert!(check(&[]).contains(&"gap-ratio".to_string()));
    assert!(!check(&["--granule-ratio", "1"]).contains(&"dose-above-toxic".to_string()));
    let strong = check(&["--granule-ratio", "5"]);
    assert!(
        strong.contains(&"dose-above-toxic".to_string()) && !strong.contains(&"gap-ratio".to_string()),
        "{strong:?}"
    );
    assert_eq!(run(&["check", "附子 6g", "--form", "soup"]).status.code(), Some(1));
}

#[test]
fn a_batch_and_a_single_case_read_the_same_shape() {
    let patient = json!({
        "age": "70", "sex": "female", "weight_kg": 61.5, "conditions": ["hypertension"], "also": ["gout"],
        "medicines": ["warfarin", "aspirin/dipyridamole", "nothing known"], "allergies": ["celery"], "diets": ["vegan"],
        "surgery_in_days": 9, "athlete": true, "laws": ["us", "atlantis"], "patterns": ["yang-brightness-channel"]
    });
    let cases = [
        json!({"items": [{"name": "附子", "grams": 9.5, "pot": ["cook first"]}, {"name": "Gan Cao", "grams": "1/3"}]}),
        json!({"id": "\u{201c}two\u{201d}\n", "items": [{"substance": "mu-tong"}, {"name": "木通"}], "form": "powder", "days": 40}),
        json!({"items": [{"name": "\u{9644}\u{5b50}", "grams": 3}], "form": "granules", "granule_ratio": 5, "patient": patient}),
        json!({"prescription": "当归 9g, 牛黄 0.3g 冲服", "patient": patient, "overrides": [{"finding": "x", "reason": "y"}]}),
        json!({"items": [{"name": "qwertyuiop", "grams": 3}], "patient": {"pregnant": true}}),
        // What one refuses, the other refuses.
        json!({"items": []}),
        json!({"items": [{"name": "甘草"}], "prescription": "甘草 3g"}),
        json!({"items": [{"grams": 3}]}),
        json!({"items": [{"name": "甘草", "grams": 0}]}),
        json!({"items": [{"name": "甘草", "colour": "brown"}]}),
        json!({"items": [{"name": "甘草"}], "form": "soup"}),
        json!({"items": [{"name": "甘草"}], "granule_ratio": -5}),
        json!({"items": [{"name": "甘草"}], "unheard": 1}),
        json!([1, 2]),
    ];
    let dir = Folder::new("same", &[]);
    let lines: String = cases.iter().map(|c| format!("{c}\n")).collect();
    fs::write(dir.file("all.jsonl"), lines).unwrap();
    run(&["check", "--batch", &dir.file("all.jsonl"), "--out", &dir.file("out.jsonl")]);
    let out = fs::read_to_string(dir.file("out.jsonl")).unwrap();
    let rows: Vec<Value> = out.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert_eq!(rows.len(), cases.len());
    for (case, row) in cases.iter().zip(&rows) {
        fs::write(dir.file("case.json"), case.to_string()).unwrap();
        let one = run(&["check", "--json", "--case", &dir.file("case.json")]);
        let v: Value = serde_json::from_slice(&one.stdout).unwrap_or_default();
        if row.get("unreadable").is_some() {
            assert_eq!(v["result"].get("report"), None, "{case}: {row}");
            assert_eq!(one.status.code(), Some(1), "{case}");
            continue;
        }
        let mut alone: Vec<String> = found(&v).into_iter().map(|f| f.0).collect();
        let mut batch: Vec<&str> = row["findings"].as_array().unwrap().iter().map(|f| f[0].as_str().unwrap()).collect();
        // A single case with overrides sets findings aside; here they name none.
        alone.sort();
        alone.dedup();
        batch.sort();
        assert_eq!(alone, batch, "{case}");
    }
}
