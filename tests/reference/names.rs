//! Names that real prescriptions use, and names that have hurt people.

use fangwright_materia::{Materia, Resolution};
use serde::Deserialize;

#[derive(Deserialize)]
struct Sample {
    name: Vec<Used>,
}

#[derive(Deserialize)]
struct Used {
    hanzi: String,
    uses: u64,
}

/// Jin Y. et al., "Syndrome-aware Herb Recommendation with Multi-Graph Convolution Network", ICDE 2020, open data set
/// (MIT): a fixed sample of its substance names with how often its published training prescriptions use them.
#[test]
fn names_of_real_prescriptions_are_known() {
    let m = Materia::embedded();
    let sample: Sample = fangwright_checks::facts("prescription-names.toml");
    assert!(sample.name.len() >= 250);
    let (mut known, mut ambiguous, mut weight, mut all) = (0, 0, 0, 0);
    for n in &sample.name {
        all += n.uses;
        match m.resolve(&n.hanzi) {
            Resolution::Known { .. } => {
                known += 1;
                weight += n.uses;
            }
            Resolution::Ambiguous { candidates, tells, .. } => {
                assert!(!candidates.is_empty() && !tells.is_empty(), "{}", n.hanzi);
                ambiguous += 1;
                weight += n.uses;
            }
            other => println!("{}: {other:?}", n.hanzi),
        }
    }
    let share = (known + ambiguous) as f64 / sample.name.len() as f64;
    let weighted = weight as f64 / all as f64;
    println!(
        "{known} known, {ambiguous} ambiguous of {}; weighted by use {:.2} %",
        sample.name.len(),
        weighted * 100.0
    );
    assert!(share >= 0.97, "{share}");
    assert!(weighted >= 0.995, "{weighted}");
}

/// Names that stand for several plants: common practice, no source. Some of these confusions destroyed kidneys.
#[test]
fn ambiguous_names_are_never_guessed() {
    let m = Materia::embedded();
    for name in [
        "Mu Tong",
        "mutong",
        "木通",
        "Fang Ji",
        "防己",
        "fang2 ji3",
        "Sha Shen",
        "沙参",
        "沙參",
        "Shao Yao",
        "芍药",
        "芍藥",
        "Bei Mu",
        "贝母",
        "貝母",
        "Wu Tou",
        "乌头",
        "烏頭",
        "Da Ji",
        "大戟",
        "mu tung",
    ] {
        let found = m.resolve(name);
        assert!(matches!(found, Resolution::Ambiguous { .. }), "{name}: {found:?}");
    }
}

/// One substance by every door: common practice, no source.
#[test]
fn one_substance_by_every_name() {
    let m = Materia::embedded();
    for (id, names) in [
        (
            "huang-qi",
            &[
                "黄芪",
                "黃芪",
                "黄耆",
                "黃耆",
                "Huáng Qí",
                "huangqi",
                "HUANG-QI",
                "huang2 qi2",
                "Astragali Radix",
                "Radix Astragali",
                "huang  qi",
                "北芪",
            ][..],
        ),
        ("zhi-gan-cao", &["炙甘草", "蜜炙甘草", "Zhi Gan Cao", "honey-fried gan cao", "甘草炙"][..]),
        ("jiu-da-huang", &["酒大黄", "酒炒大黄", "jiu da huang", "wine-fried da huang"][..]),
        ("chuan-xiong", &["川芎", "chuan xiong", "chuan qiong", "Chuānxiōng", "chuan xoing"][..]),
        ("zhi-qiao", &["枳壳", "zhi qiao", "zhi ke", "枳殼"][..]),
        ("chong-lou", &["重楼", "chong lou"][..]),
        ("sheng-di-huang", &["生地黄", "生地", "Sheng Di", "sheng di huang", "干地黄"][..]),
        ("mai-dong", &["麦冬", "麦门冬", "麥門冬", "mai men dong", "Mai Dong"][..]),
        ("ku-xing-ren", &["杏仁", "苦杏仁", "xing ren"][..]),
    ] {
        for name in names {
            let found = m.resolve(name).settled().map(|s| m.substance(s).id.as_str());
            assert_eq!(found, Some(id), "{name}");
        }
    }
}

/// Another character is another plant, and a slip between poison and medicine is not settled by us.
#[test]
fn near_is_not_the_same() {
    let m = Materia::embedded();
    for name in ["过山龙", "xyzzy", "白花草子"] {
        let found = m.resolve(name);
        assert!(found.settled().is_none(), "{name}: {found:?}");
    }
    match m.resolve("过山龙") {
        Resolution::Unknown { nearest } => assert!(!nearest.is_empty()),
        other => panic!("{other:?}"),
    }
}
