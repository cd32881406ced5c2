//! Ben Cao Bei Yao (Wang Ang, 1694) names nature and flavours of single substances. The records mostly follow the
//! pharmacopoeia of today, which often differs; every difference is written down with its reason, so that none is a slip.

use std::collections::{BTreeMap, BTreeSet};

use fangwright_materia::Materia;
use fangwright_materia::records::{Nature, Substance, Taste};
use serde::Deserialize;

#[derive(Deserialize)]
struct Facts {
    fact: Vec<Fact>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Fact {
    entry: String,
    id: String,
    nature: Option<String>,
    flavours: Option<Vec<String>>,
}

#[derive(Deserialize)]
struct Explained {
    difference: Vec<Explanation>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Explanation {
    id: String,
    field: String,
    book: Said,
    ours: Said,
    why: String,
}

/// A nature, or flavours in any order.
#[derive(Debug, Deserialize)]
#[serde(untagged)]
enum Said {
    Nature(String),
    Flavours(BTreeSet<String>),
}

impl Said {
    /// Field and words in one line, for comparing and for messages.
    fn line(&self) -> (&'static str, String) {
        match self {
            Said::Nature(word) => ("nature", word.clone()),
            Said::Flavours(words) => ("flavours", words.iter().map(String::as_str).collect::<Vec<_>>().join(", ")),
        }
    }
}

fn nature(word: &str) -> Nature {
    Nature::from_word(word).unwrap_or_else(|| panic!("{word} is no nature"))
}

/// The tastes alone: how far a taste goes is a grade, and the old book seldom gives one.
fn tastes<'a>(words: impl IntoIterator<Item = &'a String>) -> BTreeSet<Taste> {
    let taste = |w: &String| {
        let plain = w.strip_prefix("slightly ").unwrap_or(w);
        Taste::from_word(plain).unwrap_or_else(|| panic!("{w} is no flavour"))
    };
    words.into_iter().map(taste).collect()
}

fn flavours(s: &Substance) -> BTreeSet<String> {
    s.flavours.iter().map(ToString::to_string).collect()
}

/// Counts of one field.
#[derive(Default)]
struct Tally {
    facts: usize,
    exact: usize,
    near: usize,
}

impl Tally {
    fn percent(&self, n: usize) -> f64 {
        100.0 * n as f64 / self.facts.max(1) as f64
    }
}

#[test]
fn the_records_agree_or_the_difference_is_explained() {
    let m = Materia::embedded();
    let facts: Facts = fangwright_checks::facts("ben-cao-bei-yao.toml");
    let explained: Explained = fangwright_checks::facts("ben-cao-bei-yao-differences.toml");

    let mut wrong = Vec::new();
    let mut open: BTreeMap<(String, &str), Explanation> = BTreeMap::new();
    for e in explained.difference {
        let (field, _) = e.book.line();
        if e.field != field || e.ours.line().0 != field {
            wrong.push(format!("{} {}: book and ours do not have the shape of this field", e.id, e.field));
        }
        if e.why.trim().is_empty() {
            wrong.push(format!("{} {}: no reason is given", e.id, e.field));
        }
        if let Some(twice) = open.insert((e.id.clone(), field), e) {
            wrong.push(format!("{} {}: explained twice", twice.id, twice.field));
        }
    }
    // Takes the explanation of a difference, which has to speak of the very words that stand there now.
    let mut explain = |id: &str, book: Said, ours: Said| {
        let ((field, book), (_, ours)) = (book.line(), ours.line());
        match open.remove(&(id.to_string(), field)) {
            None => wrong.push(format!("{id} {field}: book [{book}], ours [{ours}], not explained")),
            Some(e) if e.book.line().1 != book || e.ours.line().1 != ours => wrong.push(format!(
                "{id} {field}: book [{book}], ours [{ours}], but the explanation is about book [{}], ours [{}]",
                e.book.line().1,
                e.ours.line().1
            )),
            Some(_) => {}
        }
    };

    let (mut natures, mut flavour_sets) = (Tally::default(), Tally::default());
    let mut seen = BTreeSet::new();
    for f in &facts.fact {
        assert!(seen.insert(&f.id), "{} has two facts", f.id);
        let ix = m.substance_by_id(&f.id).unwrap_or_else(|| panic!("{} ({}) is no substance of ours", f.id, f.entry));
        let ours = m.substance(ix);
        if let Some(word) = &f.nature {
            let book = nature(word);
            natures.facts += 1;
            natures.exact += usize::from(book == ours.nature);
            natures.near += usize::from((book.degree() - ours.nature.degree()).abs() <= 1);
            if book != ours.nature {
                explain(&f.id, Said::Nature(word.clone()), Said::Nature(ours.nature.word().into()));
            }
        }
        if let Some(words) = &f.flavours {
            let own = flavours(ours);
            let same = tastes(words) == tastes(&own);
            flavour_sets.facts += 1;
            flavour_sets.exact += usize::from(same);
            if !same {
                explain(&f.id, Said::Flavours(words.iter().cloned().collect()), Said::Flavours(own));
            }
        }
    }
    for (id, field) in open.keys() {
        wrong.push(format!("{id} {field}: explained, but there is no such difference any more"));
    }

    println!(
        "Ben Cao Bei Yao, nature: {} of {} exactly ours ({:.1} %), {} within one grade ({:.1} %)",
        natures.exact,
        natures.facts,
        natures.percent(natures.exact),
        natures.near,
        natures.percent(natures.near)
    );
    println!(
        "Ben Cao Bei Yao, flavours: {} of {} ours ({:.1} %)",
        flavour_sets.exact,
        flavour_sets.facts,
        flavour_sets.percent(flavour_sets.exact)
    );
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(natures.facts >= 300 && flavour_sets.facts >= 300, "{} and {} facts", natures.facts, flavour_sets.facts);
}
