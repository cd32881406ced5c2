//! Red flags on short texts that two readers wrote from memory of triage (common practice, no source) without sight of the data:
//! `flag-cases.tsv`, ten ways of typing each of 177 situations, was then used to mend the data; `flag-fresh.tsv`, four ways each by
//! another reader, is the check. Both have 120 everyday presentations that must raise nothing.

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

/// The situations, and the everyday texts.
fn score(file: &str) -> (Score, Score) {
    let m = Materia::embedded();
    let flags = Flags::new(&m);
    let table = std::fs::read_to_string(fangwright_checks::reference().join(file)).unwrap();
    let loud = std::env::var_os("FLAGS").is_some();
    let mut both = (Score::default(), Score::default());
    for (number, line) in table.lines().enumerate().skip(1) {
        let cells: Vec<&str> = line.split('\t').collect();
        let [situation, urgency, language, text] = cells[..] else { panic!("{file}, line {}: {line}", number + 1) };
        let raised = flags.raised(&m, text, &[]);
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
    for (file, least, most) in [("flag-cases.tsv", 90.0, 0.0), ("flag-fresh.tsv", 0.0, 100.0)] {
        let (found, everyday) = score(file);
        let hit = found.situations.values().filter(|x| **x).count();
        println!(
            "{file}: {:.1} % of {} texts flagged, {:.1} % in time; {hit} of {} situations in at least one wording; {:.1} % of {} everyday texts",
            found.percent(found.raised),
            found.texts,
            found.percent(found.in_time),
            found.situations.len(),
            everyday.percent(everyday.raised),
            everyday.texts
        );
        assert!(found.percent(found.raised) >= least && everyday.percent(everyday.raised) <= most, "{file}");
    }
}
