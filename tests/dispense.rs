//! `dispense` and `stock`, run as a user runs them.

use std::process::Output;

use fangwright_checks::binary::{Folder, fangwright, run};
use serde_json::Value;

const STOCK: &str = r#"
[[product]]
id = "gz"
substance = "gui-zhi"
name = "桂枝"
sort = "raw"
price = "0.06 EUR"

[[product]]
id = "bs"
substance = "bai-shao"
name = "白芍"
sort = "raw"

[[lot]]
lot = "A"
product = "gz"
grams = "40"
expiry = "2027-01-31"
cost = "0.03 EUR"

[[lot]]
lot = "B"
product = "gz"
grams = "500"
expiry = "2028-01-31"
cost = "0.03 EUR"

[[lot]]
lot = "C"
product = "bs"
grams = "500"
expiry = "2028-01-31"
cost = "0.04 EUR"
"#;

fn json(o: &Output) -> Value {
    serde_json::from_slice(&o.stdout).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&o.stderr)))
}

fn text(o: &Output) -> String {
    String::from_utf8_lossy(&o.stdout).into_owned() + &String::from_utf8_lossy(&o.stderr)
}

fn shelf(name: &str) -> (Folder, String) {
    let folder = Folder::new(name, &[("stock.toml", STOCK)]);
    let book = format!("{}/book.jsonl", folder.path());
    let entered =
        run(&["stock", "--book", &book, "--on", "2026-11-25", "enter", &format!("{}/stock.toml", folder.path())]);
    assert!(entered.status.success(), "{}", text(&entered));
    (folder, book)
}

fn dispense(book: &str, number: &str, more: &[&str]) -> Output {
    let base = [
        "dispense",
        "桂枝9 白芍9",
        "--days",
        "5",
        "--on",
        "2026-11-25",
        "--book",
        book,
        "--number",
        number,
        "--name",
        "Ada",
    ];
    run(&base.iter().chain(more).copied().collect::<Vec<_>>())
}

#[test]
fn a_bag_is_filled_from_the_lot_that_expires_first_and_traced_both_ways() {
    let (_folder, book) = shelf("bag");
    let o = dispense(&book, "D1", &["--take", "--json"]);
    assert_eq!(o.status.code(), Some(0), "{}", text(&o));
    let picks = &json(&o)["result"]["plan"]["lines"][0]["picks"];
    assert_eq!((picks[0]["lot"].as_str(), picks[0]["grams"].as_str()), (Some("A"), Some("40")));
    assert_eq!((picks[1]["lot"].as_str(), picks[1]["grams"].as_str()), (Some("B"), Some("5")));
    let bag = json(&run(&["stock", "--book", &book, "--json", "bag", "D1"]));
    assert_eq!(bag["result"]["bag"].as_array().unwrap().len(), 3);
    // One command bars the lot and lists who had it.
    let recall = json(&run(&["stock", "--book", &book, "--json", "recall", "gz", "B", "--reason", "mould"]));
    assert_eq!(recall["result"]["had"][0]["patient"], "Ada");
    assert_eq!(recall["result"]["had"][0]["grams"], "5");
    let again = dispense(&book, "D2", &["--take"]);
    assert_eq!(again.status.code(), Some(1));
    assert!(text(&again).contains("recalled"), "{}", text(&again));
    // Pages that cannot be printed take nothing.
    let before = std::fs::read_to_string(&book).unwrap();
    let small = dispense(&book, "D3", &["--take", "--product", "gui zhi=gz", "--print", "label", "--label", "20x10"]);
    assert_eq!(small.status.code(), Some(1));
    assert_eq!(
        std::fs::read_to_string(&book).unwrap().lines().filter(|l| l.contains("\"use\"")).count(),
        before.lines().filter(|l| l.contains("\"use\"")).count()
    );
    // A number is used once.
    let twice = dispense(&book, "D1", &["--take", "--product", "gui zhi=gz"]);
    assert_ne!(twice.status.code(), Some(0));
}

#[test]
fn two_dispensers_at_once_cannot_have_the_same_grams() {
    let (folder, _) = shelf("race");
    let book = format!("{}/race.jsonl", folder.path());
    std::fs::write(
        format!("{}/one.toml", folder.path()),
        STOCK.replace("grams = \"500\"", "grams = \"90\"").replace("grams = \"40\"", "grams = \"0.1\""),
    )
    .unwrap();
    assert!(run(&["stock", "--book", &book, "enter", &format!("{}/one.toml", folder.path())]).status.success());
    // 90 g of each are there, 45 g of each are wanted by each of six.
    let children: Vec<_> = (0..6)
        .map(|n| {
            let number = format!("D{n}");
            let args =
                ["dispense", "桂枝9 白芍9", "--days", "5", "--book", &book, "--number", &number, "--take", "--json"];
            fangwright()
                .args(args)
                .stdout(std::process::Stdio::piped())
                .stderr(std::process::Stdio::piped())
                .spawn()
                .unwrap()
        })
        .collect();
    let served =
        children.into_iter().map(|c| c.wait_with_output().unwrap()).filter(|o| o.status.code() == Some(0)).count();
    assert_eq!(served, 2);
    let list = text(&run(&["stock", "--book", &book, "list"]));
    assert!(!list.contains(" -"), "no lot is below zero: {list}");
}

#[test]
fn what_must_not_go_out_does_not() {
    let (folder, book) = shelf("refuse");
    // A finding of the upper two severities: nothing is planned, nothing leaves stock.
    let o = run(&["dispense", "甘草9 甘遂3", "--days", "3", "--book", &book, "--take", "--json"]);
    assert_eq!(o.status.code(), Some(3));
    assert!(json(&o)["result"]["plan"].is_null());
    for (args, says) in [
        (vec!["--days", "0"], "no days"),
        (vec!["--as", "soup"], "is no preparation"),
        (vec!["--vessel", "hat"], "is no vessel"),
        (vec!["--scale", "0"], "step of the scale"),
        (vec!["--on", "yesterday"], "is no day"),
        (vec!["--print", "poster"], "is no page"),
        (vec!["--label", "20x10", "--print", "label"], "larger label"),
        (vec!["--language", "xx", "--print", "label"], "no language"),
        (vec!["--age", "5"], "without the weight"),
    ] {
        let mut all = vec!["dispense", "桂枝9 白芍9", "--on", "2026-11-25"];
        if !args.contains(&"--days") {
            all.extend(["--days", "5"]);
        }
        if args.contains(&"--on") {
            all.drain(2..4);
        }
        all.extend(&args);
        let into = format!("{}/pages", folder.path());
        all.extend(["--into", &into]);
        let o = run(&all);
        assert_ne!(o.status.code(), Some(0), "{args:?}");
        assert!(text(&o).contains(says), "{args:?}: {}", text(&o));
    }
    // Prices: an unknown currency, a price below zero.
    for (pricing, says) in
        [("currency = \"XQQ\"", "ISO 4217"), ("currency = \"EUR\"\ndispensing_fee = \"-1 EUR\"", "below zero")]
    {
        let path = format!("{}/pricing.toml", folder.path());
        std::fs::write(&path, pricing).unwrap();
        let o = dispense(&book, "P", &["--pricing", &path]);
        assert!(text(&o).contains(says), "{}", text(&o));
    }
    // An expired lot, on a day after all have expired.
    let o = run(&["dispense", "桂枝9 白芍9", "--days", "5", "--on", "2029-01-01", "--book", &book]);
    assert!(text(&o).contains("expired on"), "{}", text(&o));
    // Nothing of this reached the book: six entries are what was entered.
    assert_eq!(std::fs::read_to_string(&book).unwrap().lines().count(), 5);
}

#[test]
fn a_line_that_a_crash_cut_off_is_taken_away_and_damage_is_located() {
    let (_folder, book) = shelf("crash");
    let whole = std::fs::read_to_string(&book).unwrap();
    std::fs::write(&book, format!("{whole}{{\"number\":6,\"at\":\"20")).unwrap();
    assert!(dispense(&book, "D1", &["--reserve"]).status.success());
    let after = std::fs::read_to_string(&book).unwrap();
    assert!(after.starts_with(&whole) && after.lines().count() == 6);
    assert!(run(&["stock", "--book", &book, "use", "D1", "Ada"]).status.success());
    assert!(!run(&["stock", "--book", &book, "use", "D1", "Ada"]).status.success());
    let damaged = whole.replacen("\"number\":3", "\"numXer\":3", 1);
    std::fs::write(&book, damaged).unwrap();
    let o = run(&["stock", "--book", &book, "list"]);
    assert!(text(&o).contains("after entry 2 is damaged"), "{}", text(&o));
}

#[test]
fn stocktaking_and_orders() {
    let (folder, book) = shelf("count");
    let count = format!("{}/count.toml", folder.path());
    std::fs::write(&count, "[[count]]\nproduct = \"gz\"\nlot = \"A\"\ngrams = \"37.5\"\n").unwrap();
    let o = json(&run(&["stock", "--book", &book, "--json", "count", &count, "--settle"]));
    assert_eq!(o["result"]["differ"][0][1], "40");
    assert_eq!(o["result"]["missed"].as_array().unwrap().len(), 2);
    let list = json(&run(&["stock", "--book", &book, "--json", "list", "gz"]));
    assert_eq!(list["result"]["lots"][0]["there"], "37 1/2");
    assert!(run(&["stock", "--book", &book, "--on", "2026-11-25", "reorder"]).status.success());
    let soon = text(&run(&["stock", "--book", &book, "--on", "2026-12-25", "expiring", "60"]));
    assert!(soon.contains("lot A") && !soon.contains("lot B"), "{soon}");
}

#[test]
fn han_measures_come_to_modern_grams_by_the_convention() {
    // Three liang of the Han are 46 7/8 g where a jin is 250 g; the range of the data is passed, and said.
    let rx = "桂枝三两 白芍三两 生姜三两 大枣十二枚 炙甘草二两";
    let o = run(&["dispense", rx, "--days", "1", "--era", "han", "--convention", "han-15.6", "--json"]);
    let v = json(&o);
    assert_eq!(v["result"]["plan"]["lines"][0]["raw"], "46 7/8", "{}", text(&o));
    let remarks = v["result"]["plan"]["remarks"].as_array().unwrap();
    assert!(remarks.iter().any(|r| r["about"] == "dose" && r["line"] == 0), "{remarks:?}");
}

#[test]
fn worksheets_of_many_in_one_file() {
    let line = |n: u32, rx: &str| {
        format!(
            "{{\"prescription\":\"{rx}\",\"days\":5,\"number\":\"D{n}\",\"name\":\"Invented {n}\",\"patient\":{{\"age\":\"40\"}}}}"
        )
    };
    let many: Vec<String> =
        (0..20).map(|n| line(n, if n == 7 { "甘草9 甘遂3" } else { "桂枝9 白芍9 生姜9 大枣12 炙甘草6" })).collect();
    let folder = Folder::new("many", &[("jobs.jsonl", &many.join("\n"))]);
    let into = format!("{}/all.pdf", folder.path());
    let o =
        run(&["dispense", "--batch", &format!("{}/jobs.jsonl", folder.path()), "--into", &into, "--on", "2026-11-25"]);
    assert_eq!(o.status.code(), Some(1));
    assert!(
        text(&o).contains("19 worksheets on 19 pages") && text(&o).contains("jobs.jsonl:8: a finding stands"),
        "{}",
        text(&o)
    );
    // Templates of one's own: written out once, never over what is there.
    let templates = format!("{}/t", folder.path());
    assert!(run(&["templates", &templates]).status.success());
    assert!(!run(&["templates", &templates]).status.success());
}

#[test]
fn a_substitute_is_only_what_the_data_allows_and_is_checked() {
    // Codonopsis stands in for ginseng; veratrum is incompatible with both.
    let o = run(&["dispense", "人参9 白术9", "--days", "3", "--substitute", "Ren Shen=Dang Shen", "--json"]);
    assert_eq!(o.status.code(), Some(0), "{}", text(&o));
    assert_eq!(json(&o)["result"]["plan"]["lines"][0]["substance"], "dang-shen");
    let o = run(&["dispense", "人参9 藜芦1", "--days", "3", "--substitute", "Ren Shen=Dang Shen", "--json"]);
    assert_eq!(o.status.code(), Some(3), "checked as changed");
    // What stands in for a plant need not be replaced by it.
    let o = run(&["dispense", "扁蓄9 白术9", "--days", "3", "--substitute", "Qu Mai=Bian Xu"]);
    assert!(text(&o).contains("does not allow"), "{}", text(&o));
    let o = run(&["dispense", "人参9 白术9", "--days", "3", "--substitute", "Ren Shen=Da Huang"]);
    assert!(text(&o).contains("does not allow"), "{}", text(&o));
}
