//! Red flags on short texts that two readers wrote from memory of triage (common practice, no source) without sight of the data:
//! `flag-cases.tsv`, ten ways of typing each of 177 situations, was then used to mend the data, and so were the lines of even number of
//! `flag-fresh.tsv`, four ways each by another reader. Its lines of odd number are the check, without nine situations of which a
//! reader who mended the data had seen lines. Both tables have 120 everyday presentations.

use fangwright_materia::Materia;
use fangwright_pattern::Flags;

#[derive(Debug, Default)]
struct Score {
    texts: u32,
    raised: u32,
    in_time: u32,
    situations: std::collections::BTreeMap<String, bool>,
}

impl Score {
    fn percent(&self, n: u32) -> f64 {
        f64::from(n) * 100.0 / f64::from(self.texts.max(1))
    }
}

/// Situations of which the untouched lines had been seen.
const SEEN: [&str; 9] = [
    "abnormal-labs",
    "abuse-safeguarding",
    "aconite-poisoning",
    "acute-abdomen",
    "snake-bite",
    "spinal-cord-compression",
    "spinal-infection",
    "stevens-johnson",
    "strangulated-hernia",
];

/// The situations, and the everyday texts.
fn score(file: &str, wanted: impl Fn(usize, &str) -> bool) -> (Score, Score) {
    let m = Materia::embedded();
    let flags = Flags::new(&m);
    let table = std::fs::read_to_string(fangwright_checks::reference().join(file)).unwrap();
    let loud = std::env::var_os("FLAGS").is_some();
    let mut both = (Score::default(), Score::default());
    for (number, line) in table.lines().enumerate().skip(1) {
        let cells: Vec<&str> = line.split('\t').collect();
        let [situation, urgency, language, text] = cells[..] else { panic!("{file}, line {}: {line}", number + 1) };
        let raised = flags.raised(&m, text, &[]);
        // Lines are numbered from 1, with the heading.
        if !wanted(number + 1, situation) {
            continue;
        }
        let everyday = situation == "none";
        let score = if everyday { &mut both.1 } else { &mut both.0 };
        score.texts += 1;
        score.raised += u32::from(!raised.is_empty());
        // As urgent as the reader said, or more.
        let steps = ["now", "today", "soon"];
        let wanted = steps.iter().position(|s| *s == urgency).unwrap_or(2);
        let said = raised.first().and_then(|r| steps.iter().position(|s| *s == r.flag.urgency.word()));
        score.in_time += u32::from(said.is_some_and(|s| s <= wanted));
        *score.situations.entry(situation.to_string()).or_default() |= !raised.is_empty();
        if loud && raised.is_empty() != everyday {
            let by: Vec<_> = raised.iter().map(|r| (&r.flag.id, &r.by)).collect();
            println!("{situation}\t{language}\t{text}\t{by:?}");
        }
    }
    both
}

#[test]
fn situations_are_flagged_and_everyday_complaints_are_not() {
    let untouched = |line: usize, situation: &str| line % 2 == 1 && !SEEN.contains(&situation);
    type Wanted<'a> = &'a dyn Fn(usize, &str) -> bool;
    let tables: [(&str, &str, Wanted<'_>, f64, f64); 3] = [
        ("flag-cases.tsv", "mended on", &|_, _| true, 95.0, 0.0),
        ("flag-fresh.tsv", "even lines, mended on", &|line, _| line % 2 == 0, 95.0, 2.0),
        ("flag-fresh.tsv", "odd lines, untouched", &untouched, 60.0, 15.0),
    ];
    for (file, what, wanted, least, most) in tables {
        let (found, everyday) = score(file, wanted);
        let hit = found.situations.values().filter(|x| **x).count();
        println!(
            "{file} ({what}): {:.1} % of {} texts flagged, {:.1} % in time; {hit} of {} situations in at least one wording; {:.1} % of {} everyday texts",
            found.percent(found.raised),
            found.texts,
            found.percent(found.in_time),
            found.situations.len(),
            everyday.percent(everyday.raised),
            everyday.texts
        );
        assert!(found.percent(found.raised) >= least && everyday.percent(everyday.raised) <= most, "{file} ({what})");
    }
}
