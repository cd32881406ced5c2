//! Clauses of two old books that name a formula for findings: does the ranking name it?
//!
//! Findings, formula and number of each clause were read in the books: 伤寒论 (Song edition) and 金匮要略方论. The data may be tuned
//! on the clauses of the Shang Han Lun with an even number only; each phrase was put into findings of the vocabulary by a reader who
//! saw the phrases alone, in mixed order (`clause-words.tsv`); the odd ones and the whole Jin Gui are untouched.

use fangwright_checks::clauses::{Clauses, words};
use fangwright_checks::facts;
use fangwright_materia::Materia;
use fangwright_pattern::{Judge, Terms};

/// How many clauses, and in how many the formula stands first, among three, among five; findings, and those unread.
#[derive(Debug, Default, Clone, Copy)]
struct Score {
    clauses: u32,
    first: u32,
    three: u32,
    five: u32,
    findings: u32,
    unread: u32,
}

impl Score {
    fn percent(self, n: u32) -> f64 {
        f64::from(n) * 100.0 / f64::from(self.clauses.max(1))
    }
}

fn score(file: &str, coded: bool, wanted: impl Fn(u32) -> bool) -> Score {
    let words = words();
    let m = Materia::embedded();
    let terms = Terms::new(&m);
    let judge = Judge::new(&m, &terms);
    let mut s = Score::default();
    let loud = std::env::var_os("CLAUSES").is_some();
    for c in facts::<Clauses>(file).clause.iter().filter(|c| wanted(c.number)) {
        let (read, lost) = c.presentation(&m, &terms);
        let p = if coded { c.coded(&terms, &words) } else { read };
        s.findings += c.found.len() as u32;
        s.unread += lost.len() as u32;
        let judged = judge.judge(&terms, &p, Vec::new());
        let place = judged.formulas.iter().position(|f| c.names(&m.formula(f.formula).id));
        s.clauses += 1;
        s.first += u32::from(place == Some(0));
        s.three += u32::from(place.is_some_and(|p| p < 3));
        s.five += u32::from(place.is_some_and(|p| p < 5));
        if loud && place != Some(0) {
            let best: Vec<String> =
                judged.formulas.iter().take(5).map(|f| format!("{} {}", m.formula(f.formula).id, f.points)).collect();
            println!("{} {:?} wants {} at {place:?}: {best:?}; unread {lost:?}", c.number, c.found, c.formula());
        }
    }
    s
}

fn show(what: &str, s: Score) {
    println!(
        "{what}: {} clauses; first {:.1} %, among three {:.1} %, among five {:.1} %; {} of {} phrases not wholly read",
        s.clauses,
        s.percent(s.first),
        s.percent(s.three),
        s.percent(s.five),
        s.unread,
        s.findings
    );
}

#[test]
fn clauses_name_their_formula() {
    let even = |n: u32| n.is_multiple_of(2);
    show("Shang Han Lun, tuned half, coded", score("clauses-shang-han-lun.toml", true, even));
    if std::env::var_os("CLAUSES").is_some() {
        return;
    }
    show("Shang Han Lun, tuned half, as the program reads it", score("clauses-shang-han-lun.toml", false, even));
    let untouched = score("clauses-shang-han-lun.toml", true, |n: u32| !n.is_multiple_of(2));
    show("Shang Han Lun, untouched half, coded", untouched);
    show(
        "the same, as the program reads it",
        score("clauses-shang-han-lun.toml", false, |n: u32| !n.is_multiple_of(2)),
    );
    let jin_gui = score("clauses-jin-gui.toml", true, |_| true);
    show("Jin Gui, untouched, coded", jin_gui);
    show("the same, as the program reads it", score("clauses-jin-gui.toml", false, |_| true));
    // Floors a little below what was reached; docs/data-review.md tells the figures and the targets (60 % and 90 %).
    assert!(untouched.percent(untouched.first) >= 50.0 && untouched.percent(untouched.five) >= 70.0);
    assert!(jin_gui.percent(jin_gui.first) >= 50.0 && jin_gui.percent(jin_gui.five) >= 70.0);
}
