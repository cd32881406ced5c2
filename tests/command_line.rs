//! The binary, run as a user runs it: what it prints, and what it does with input that is no prescription.

use std::io::Write;
use std::process::{Output, Stdio};

use fangwright_checks::binary::{Folder, fangwright, run};
use serde_json::Value;

fn with_input(args: &[&str], input: &[u8]) -> Output {
    let mut child =
        fangwright().args(args).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let input = input.to_vec();
    // The program may stop reading early where there is too much.
    std::thread::spawn(move || drop(stdin.write_all(&input)));
    child.wait_with_output().unwrap()
}

fn text(o: &Output) -> String {
    String::from_utf8(o.stdout.clone()).unwrap()
}

fn json(o: &Output) -> Value {
    serde_json::from_slice(&o.stdout).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&o.stdout)))
}

fn codes(o: &Output) -> Vec<String> {
    let v = json(o);
    let list = v["result"]["prescription"]["diagnostics"].as_array().unwrap().clone();
    list.iter().map(|d| d["code"].as_str().unwrap().to_string()).collect()
}

#[test]
fn demo_shows_the_whole_job() {
    let o = run(&["demo"]);
    assert_eq!(o.status.code(), Some(0));
    let t = text(&o);
    for needed in [
        "Built on",
        "Guì Zhī Tāng",
        "Xiǎo Chái Hú Tāng",
        "Zhī Bǎi Dì Huáng Wán",
        "Profile before",
        "The family of",
        "not medical advice",
        "ambiguous-name",
        "Found by `潘雅`: person",
        "records are as they were written",
    ] {
        assert!(t.contains(needed), "{needed}");
    }
    let o = run(&["demo", "--json"]);
    assert_eq!(json(&o)["schema"], "fangwright/demo/1");
}

#[test]
fn every_command_has_a_versioned_shape() {
    for args in [
        &["read", "桂枝9g"][..],
        &["trace", "桂枝9g 白芍9g 炙甘草6g 生姜9g 大枣9g"],
        &["compare", "gui zhi tang", "ge gen tang"],
        &["family", "gui zhi tang"],
        &["blend", "gui zhi tang + ma huang tang"],
        &["name", "huang qi"],
        &["show", "huang qi"],
        &["show", "gui zhi tang"],
        &["measure", "3 liang"],
        &["patterns"],
        &["holdings"],
    ] {
        let mut all = args.to_vec();
        all.push("--json");
        let o = run(&all);
        assert_eq!(o.status.code(), Some(0), "{args:?}: {}", String::from_utf8_lossy(&o.stderr));
        let v = json(&o);
        assert_eq!(v["schema"], format!("fangwright/{}/1", args[0]), "{args:?}");
        assert!(v["caution"].as_str().unwrap().contains("not medical advice"));
        assert!(!text(&o).contains("$substance") && !text(&o).contains("$formula"), "{args:?}: numbers leak out");
    }
}

#[test]
fn cautions_stand_in_help() {
    let o = run(&["--help"]);
    assert_eq!(o.status.code(), Some(0));
    assert!(text(&o).contains("Not medical advice") && text(&o).contains("local law"));
}

#[test]
fn wrong_usage_is_two_and_bad_input_is_one() {
    assert_eq!(run(&[]).status.code(), Some(2));
    assert_eq!(run(&["nonsense"]).status.code(), Some(2));
    assert_eq!(run(&["read", "--file"]).status.code(), Some(2));
    assert_eq!(run(&["read", "--convention", "no-such", "桂枝9g"]).status.code(), Some(2));
    assert_eq!(run(&["family", "no such formula"]).status.code(), Some(1));
    assert_eq!(run(&["blend", "1/0 Gui Zhi Tang"]).status.code(), Some(1));
    assert_eq!(run(&["read", "--file", "/no/such/file"]).status.code(), Some(1));
    assert_eq!(run(&["trace", "--for", "no-such-pattern", "桂枝9g"]).status.code(), Some(1));
}

#[test]
fn bad_input_is_answered_at_its_place() {
    for (input, code) in [
        (&b""[..], "empty"),
        (b"   \n ", "empty"),
        ("甘草 -3g".as_bytes(), "negative"),
        ("甘草 0g".as_bytes(), "zero"),
        ("gan cao 0 g, da zao 3 pieces".as_bytes(), "zero"),
        (b"gan cao NaN", "not-a-number"),
        (b"gan cao 5 stone", "unknown-unit"),
        (b"gan cao 5furlong", "unknown-unit"),
        ("甘草（炙 9g".as_bytes(), "unbalanced"),
        ("甘草）9g".as_bytes(), "unbalanced"),
        ("甘草9g 甘草3g".as_bytes(), "twice"),
        ("甘\u{202e}草9g".as_bytes(), "invisible"),
        ("木通6g".as_bytes(), "ambiguous-name"),
        (b"qwertyuiop 6g", "unknown-name"),
        (b"gan cao 1/0 g", "not-a-number"),
        (b"gan cao 999999999999999999999999 g", "not-a-number"),
        (b"9g", "amount-without-name"),
        ("甘草15-9g".as_bytes(), "backwards"),
    ] {
        let o = with_input(&["read", "--json"], input);
        let shown = String::from_utf8_lossy(input).into_owned();
        assert!(codes(&o).contains(&code.to_string()), "{shown}: {:?}", codes(&o));
        let v = json(&o);
        let errors =
            v["result"]["prescription"]["diagnostics"].as_array().unwrap().iter().any(|d| d["weight"] == "error");
        assert_eq!(o.status.code(), Some(i32::from(errors)), "{shown}");
        for d in v["result"]["prescription"]["diagnostics"].as_array().unwrap() {
            let (a, b) = (d["span"]["start"].as_u64().unwrap() as usize, d["span"]["end"].as_u64().unwrap() as usize);
            assert!(a <= b && b <= input.len() && std::str::from_utf8(&input[a..b]).is_ok(), "{shown}: {d}");
        }
        // The same as text: no panic, and it points.
        let o = with_input(&["read"], input);
        assert!(o.status.code() == Some(0) || o.status.code() == Some(1), "{shown}");
        assert!(!String::from_utf8_lossy(&o.stderr).contains("panicked"), "{shown}");
    }
}

#[test]
fn full_width_digits_are_read() {
    let o = run(&["read", "--json", "甘草９ｇ、桂枝１．５克"]);
    assert_eq!(o.status.code(), Some(0));
    let v = json(&o);
    assert_eq!(v["result"]["prescription"]["items"][1]["amount"]["amount"][0][0], "1 1/2");
}

#[test]
fn binary_and_enormous_input_is_refused_clearly() {
    let o = with_input(&["read"], &[0xff, 0xfe, 0x00, 0x80, 0x41]);
    assert_eq!(o.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&o.stderr).contains("not UTF-8"));
    let enormous = "甘草9g ".repeat(1_000_000);
    let o = with_input(&["read"], enormous.as_bytes());
    assert_eq!(o.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&o.stderr).contains("is read up to"), "{}", String::from_utf8_lossy(&o.stderr));
}

#[test]
fn a_thousand_ingredients_are_read_and_not_traced() {
    let many: String = (0..1000).map(|i| format!("gan cao {}g\n", i + 1)).collect();
    let o = with_input(&["trace", "--json"], many.as_bytes());
    assert_eq!(json(&o)["result"]["prescription"]["items"].as_array().unwrap().len(), 1000);
    let names: Vec<String> = json(&run(&["name", "--json", "x"]))["result"]["names"]
        .as_array()
        .unwrap()
        .iter()
        .map(|n| n["name"].to_string())
        .collect();
    assert_eq!(names.len(), 1);
    // A thousand names nobody knows.
    let strange: String = (0..1000).map(|i| format!("zzq{i}x 9g\n")).collect();
    let o = with_input(&["trace"], strange.as_bytes());
    assert_eq!(o.status.code(), Some(1));
}

#[test]
fn an_own_folder_adds_and_corrects_and_is_marked() {
    let own = Folder::new(
        "own",
        &[(
            "mine.toml",
            r#"
[[substance]]
id = "huang-qi"
dose = { decoction = "9-60 g" }

[[formula]]
id = "weir-lane-tang"
hanzi = "堰巷汤"
traditional = "堰巷湯"
pinyin = "Yàn Xiàng Tāng"
english = "Weir Lane Decoction"
form = "decoction"
category = "exterior"
source = { book = "common-practice", where = "invented for a test", year = 2026, how = "memory" }
measures = "modern"
ingredients = [
  { s = "gui-zhi", grams = "9", role = "chief" },
  { s = "ge-gen", grams = "12", role = "deputy" },
]
actions = ["release-muscles"]
patterns = ["greater-yang-wind"]
findings = []
tongue = []
pulse = []
cautions = []
"#,
        )],
    );
    let o = run(&["--data", own.path(), "show", "huang qi"]);
    assert!(text(&o).contains("9–60 g") && text(&o).contains("[your own record]"), "{}", text(&o));
    let o = run(&["--data", own.path(), "trace", "桂枝9g 葛根12g"]);
    assert!(text(&o).contains("Yàn Xiàng Tāng 堰巷汤 [own]"), "{}", text(&o));
    let o = run(&["--data", own.path(), "holdings", "--json"]);
    assert_eq!(json(&o)["own_records"], serde_json::json!(["huang-qi", "weir-lane-tang"]));
    assert_eq!(json(&o)["result"]["kinds"][0]["own"], 1);
    assert_eq!(json(&o)["result"]["kinds"][1]["own"], 1);
}

#[test]
fn a_mistake_in_the_own_folder_is_reported_and_hides_nothing() {
    let own = Folder::new(
        "broken",
        &[
            ("a.toml", "[[substance]]\nid = \"huang-qi\"\nnature = \"tepid\"\n"),
            ("b.toml", "[[substance]]\nid = \"gan-cao\"\nactions = [\"tonify-chi\"]\n"),
            ("c.toml", "[[formula]]\nid = \"half-a-formula\"\nhanzi = \"半方\"\n"),
        ],
    );
    let o = run(&["--data", own.path(), "show", "huang qi"]);
    let err = String::from_utf8_lossy(&o.stderr).into_owned();
    assert!(err.contains("a.toml:3:10") && err.contains("tepid"), "{err}");
    assert!(err.contains("b.toml:3:12") && err.contains("write `tonify-qi` if that is meant"), "{err}");
    assert!(err.contains("c.toml:1:1") && err.contains("has no `ingredients`"), "{err}");
    assert!(text(&o).contains("slightly warm"), "the shipped record stays: {}", text(&o));
    assert_eq!(o.status.code(), Some(0));
}

#[test]
fn a_base_with_changes_is_read_in_one_breath() {
    // "Without peony" is clear where only one peony is in it; in any script.
    for text in [
        "桂枝汤去芍药加附子6g、葛根15克",
        "桂枝湯去芍藥加附子6g、葛根15克",
        "Gui Zhi Tang minus Shao Yao plus Fu Zi 6g, Ge Gen 15g",
    ] {
        let o = run(&["read", "--json", text]);
        assert_eq!(o.status.code(), Some(0), "{text}: {}", String::from_utf8_lossy(&o.stdout));
        let v = json(&o);
        let ids: Vec<&str> = v["result"]["prescription"]["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|i| i["means"]["substance"].as_str().unwrap())
            .collect();
        assert_eq!(ids, ["gui-zhi", "sheng-jiang", "da-zao", "zhi-gan-cao", "fu-zi", "ge-gen"], "{text}");
        assert_eq!(v["result"]["prescription"]["left_out"], serde_json::json!(["bai-shao"]), "{text}");
    }
    // By itself it is not.
    assert_eq!(run(&["read", "芍药9g"]).status.code(), Some(1));
}

#[test]
fn where_no_base_is_known_it_says_so() {
    let o = run(&["trace", "血余炭9g 蜈蚣2g 冰片0.3g"]);
    assert!(text(&o).contains("No known base"), "{}", text(&o));
}
