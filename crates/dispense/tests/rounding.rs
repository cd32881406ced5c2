//! What rounding promises, on random lists.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use fangwright_amount::Rational;
use fangwright_dispense::{RoundError, Share, round_list};
use proptest::prelude::*;

fn r(n: i128, d: i128) -> Rational {
    Rational::new(n, d).unwrap()
}

fn sum(list: impl Iterator<Item = Rational>) -> Rational {
    list.fold(Rational::ZERO, |a, b| a.plus(b).unwrap())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn one_unit_for_all_keeps_the_total(amounts in prop::collection::vec((1i128..40_000, 1i128..97), 1..24), step in 1i128..60) {
        let unit = r(step, 100);
        let shares: Vec<Share> = amounts.iter().map(|(n, d)| Share::of(r(*n, *d).plus(unit).unwrap(), unit)).collect();
        let rounded = round_list(&shares).unwrap();
        let exact = sum(shares.iter().map(|s| s.exact));
        // The total is the exact total rounded to the unit, and nothing is off by a whole unit.
        let half = unit.over(Rational::from(2)).unwrap();
        prop_assert!(rounded.off.abs() <= half);
        prop_assert_eq!(rounded.total.plus(rounded.off).unwrap(), exact);
        for (part, share) in rounded.parts.iter().zip(&shares) {
            prop_assert!(part.minus(share.exact).unwrap().abs() < unit);
            prop_assert!(part.over(unit).unwrap().is_whole());
        }
    }

    #[test]
    fn limits_hold_and_nothing_vanishes(
        amounts in prop::collection::vec((1i128..2_000, 1i128..60, 1i128..40, prop::option::of(0i128..30)), 1..20),
    ) {
        let shares: Vec<Share> = amounts
            .iter()
            .map(|(n, d, unit, above)| {
                let exact = r(*n, *d);
                Share { exact, unit: r(*unit, 10), most: above.map(|a| exact.plus(r(a, 20)).unwrap()) }
            })
            .collect();
        match round_list(&shares) {
            Ok(rounded) => {
                let largest = shares.iter().map(|s| s.unit).max().unwrap();
                for (part, share) in rounded.parts.iter().zip(&shares) {
                    prop_assert!(part.is_positive());
                    prop_assert!(part.minus(share.exact).unwrap().abs() < share.unit);
                    if let Some(most) = share.most {
                        prop_assert!(*part <= most);
                    }
                }
                if rounded.held.is_empty() && rounded.raised.is_empty() {
                    prop_assert!(rounded.off.abs() <= largest.over(Rational::from(2)).unwrap());
                }
            }
            Err(RoundError::Vanishes { index, .. }) => {
                let s = shares[index];
                prop_assert!(s.exact < s.unit && s.most.unwrap() < s.unit);
            }
            Err(e) => return Err(TestCaseError::fail(e.to_string())),
        }
    }
}

#[test]
fn what_cannot_be_weighed_is_said() {
    let unit = r(1, 10);
    assert!(matches!(round_list(&[Share::of(r(1, 1), Rational::ZERO)]), Err(RoundError::Unit(_))));
    assert!(matches!(round_list(&[Share::of(r(-1, 1), unit)]), Err(RoundError::Negative(_))));
    // Three hundredths of a gram of a poison whose limit is six: a step of a tenth would be too much.
    let poison = Share { exact: r(3, 100), unit, most: Some(r(6, 100)) };
    assert!(matches!(round_list(&[poison]), Err(RoundError::Vanishes { index: 0, .. })));
    assert_eq!(round_list(&[]).unwrap().total, Rational::ZERO);
}
