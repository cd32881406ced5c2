//! How many prescriptions a second are checked that are in memory already, for a script that sets a peer beside it:
//! `check_rate FILE.jsonl [TOPIC]...` prints JSON.

use std::time::Instant;

use fangwright_materia::Materia;
use fangwright_safety::{Case, Facts, Names, Patient, Rulebook, Scratch};

fn main() {
    let mut args = std::env::args().skip(1);
    let path = args.next().expect("the file is named");
    let topics: Vec<String> = args.collect();
    let m = Materia::embedded();
    let book = Rulebook::of(&m, |r| topics.is_empty() || topics.contains(&r.topic));
    let text = std::fs::read_to_string(&path).expect("the file can be read");
    let mut names = Names::default();
    let known = |pregnant| Facts::new(&book, &Patient { pregnant, ..Patient::default() }).expect("well-formed");
    let facts = [known(None), known(Some(false)), known(Some(true))];
    let cases: Vec<(Case, usize)> = text
        .lines()
        .map(|line| {
            let mut case = Case::default();
            let head = names.read(&m, &mut serde_json::Deserializer::from_str(line), &mut case).expect("well-formed");
            let pregnant = head.patient.and_then(|p| p.pregnant);
            (case, pregnant.map_or(0, |yes| 1 + usize::from(yes)))
        })
        .collect();
    let mut scratch = Scratch::default();
    let mut best = f64::INFINITY;
    let mut hits = 0;
    for _ in 0..5 {
        let started = Instant::now();
        hits = cases.iter().map(|(case, facts_of)| book.scan(&m, case, &facts[*facts_of], &mut scratch).len()).sum();
        best = best.min(started.elapsed().as_secs_f64());
    }
    println!("{}", serde_json::json!({ "prescriptions": cases.len(), "seconds": best, "hits": hits }));
}
