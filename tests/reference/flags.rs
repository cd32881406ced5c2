//! Red flags on 1,890 short texts, written by a second reader from memory of triage (common practice, no source) before that
//! reader had seen the data: ten ways of typing each of 178 situations, and 120 everyday presentations.
//!
//! Lines with an even number may be used to mend the data; the odd ones are the check.

use fangwright_materia::Materia;
use fangwright_pattern::Flags;

#[derive(Debug, Default)]
struct Score {
    texts: u32,
    raised: u32,
    situations: std::collections::BTreeMap<String, bool>,
}

impl Score {
    fn percent(&self) -> f64 {
        f64::from(self.raised) * 100.0 / f64::from(self.texts.max(1))
    }
}

#[test]
fn situations_are_flagged_and_everyday_complaints_are_not() {
    let m = Materia::embedded();
    let flags = Flags::new(&m);
    let path = fangwright_checks::reference().join("flag-cases.tsv");
    let table = std::fs::read_to_string(path).unwrap();
    let loud = std::env::var("FLAGS").ok();
    // Two halves, each with the situations and the everyday texts.
    let mut halves: [(Score, Score); 2] = Default::default();
    for (number, line) in table.lines().enumerate().skip(1) {
        let cells: Vec<&str> = line.split('\t').collect();
        let [situation, _, language, text] = cells[..] else { panic!("line {}: {line}", number + 1) };
        let raised = flags.raised(&m, text, &[]);
        let half = &mut halves[number % 2];
        let score = if situation == "none" { &mut half.1 } else { &mut half.0 };
        score.texts += 1;
        score.raised += u32::from(!raised.is_empty());
        *score.situations.entry(situation.to_string()).or_default() |= !raised.is_empty();
        if loud.is_some() && number % 2 == 0 && raised.is_empty() != (situation == "none") {
            let by: Vec<_> = raised.iter().map(|r| (&r.flag.id, &r.by)).collect();
            println!("{situation}\t{language}\t{text}\t{by:?}");
        }
    }
    for ((found, everyday), what) in halves.iter().zip(["used for mending", "untouched"]) {
        let hit = found.situations.values().filter(|x| **x).count();
        println!(
            "{what}: {:.1} % of {} texts flagged, {hit} of {} situations in at least one wording; {:.1} % of {} everyday texts",
            found.percent(),
            found.texts,
            found.situations.len(),
            everyday.percent(),
            everyday.texts
        );
    }
}
