//! Lin Yi's arithmetic on formulas (1065), worked out by `blend`.

use fangwright_amount::{Amount, Era, Measures, Rational};
use fangwright_formula::blend;
use fangwright_materia::Materia;
use serde::Deserialize;

#[derive(Deserialize)]
struct Facts {
    sum: Vec<Sum>,
}

#[derive(Deserialize)]
struct Sum {
    clause: u32,
    source: String,
    blend: String,
    derived: String,
    line: Vec<Line>,
}

#[derive(Deserialize)]
struct Line {
    sum_of: Vec<String>,
    exact: String,
    book: String,
    #[serde(default)]
    parts: Vec<(String, String)>,
    text: Option<String>,
    #[serde(default)]
    note: String,
}

/// In zhu or in pieces: Han amounts of one kind become one number.
fn number(amount: &Amount) -> Rational {
    let zhu_in_liang = Rational::from(24);
    amount.0.iter().fold(Rational::ZERO, |sum, (n, unit)| {
        let one = match unit.measures() {
            Measures::Weight => Era::Han.in_liang(*unit).unwrap().times(zhu_in_liang).unwrap(),
            _ => Rational::ONE,
        };
        sum.plus(n.times(one).unwrap()).unwrap()
    })
}

fn amount(text: &str) -> Rational {
    number(&text.parse().unwrap())
}

#[test]
fn fractions_come_out_as_in_the_notes_of_1065() {
    let m = Materia::embedded();
    let facts: Facts = fangwright_checks::facts("lin-yi.toml");
    assert_eq!(facts.sum.len(), 3);
    for sum in facts.sum {
        let blended = blend(&m, &sum.blend).unwrap();
        let derived = m.formula(m.formula_by_id(&sum.derived).unwrap());
        println!("clause {}: {} ({})", sum.clause, sum.blend, sum.source);
        let mut seen = 0;
        for line in &sum.line {
            let mut whole = Rational::ZERO;
            let mut shares = Vec::new();
            for id in &line.sum_of {
                let ix = m.substance_by_id(id).unwrap();
                let Some(l) = blended.lines.iter().find(|l| l.substance == ix) else { continue };
                seen += 1;
                assert_eq!(l.original.len(), 1, "{id}: one unit");
                whole = whole.plus(number(&l.original[0])).unwrap();
                shares.extend(l.from.iter().map(|(_, a)| number(a.as_ref().unwrap())));
            }
            assert_eq!(whole, amount(&line.exact), "clause {}, {:?}", sum.clause, line.sum_of);
            let book = amount(&line.book);
            if line.parts.is_empty() {
                assert_eq!(whole, book, "clause {}, {:?}: the note does not round here", sum.clause, line.sum_of);
            } else {
                let exact: Vec<Rational> = line.parts.iter().map(|p| amount(&p.0)).collect();
                assert_eq!(shares, exact, "clause {}, {:?}: the shares", sum.clause, line.sum_of);
                let taken = line.parts.iter().fold(Rational::ZERO, |s, p| s.plus(amount(&p.1)).unwrap());
                assert_eq!(taken, book, "clause {}, {:?}: the rounding of the note", sum.clause, line.sum_of);
            }
            // What our record of the derived formula holds is the main text of the clause.
            let text = line.text.as_ref().map_or(book, |t| amount(t));
            let held = derived.ingredients.iter().find(|i| line.sum_of.contains(&i.substance)).unwrap();
            assert_eq!(
                number(held.amount.as_ref().unwrap()),
                text,
                "clause {}, {:?}: main text",
                sum.clause,
                line.sum_of
            );
            println!(
                "  {:24} exact {:22} note {:16} main text {:16} {}",
                line.sum_of.join(" + "),
                line.exact,
                line.book,
                line.text.as_deref().unwrap_or(&line.book),
                line.note
            );
        }
        assert_eq!(seen, blended.lines.len(), "clause {}: every line of the blend is in the table", sum.clause);
    }
}
