//! Which ingredient of one mix answers to which of another: the same, another form of it, or what takes its place.

use fangwright_materia::records::Costs;
use fangwright_materia::{Materia, SubstanceIx};
use schemars::JsonSchema;
use serde::Serialize;

/// How an ingredient of the base stands in the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Tie {
    /// The same substance.
    Same,
    /// The same substance in another processed form.
    OtherForm,
    /// What practice puts in its place.
    Swap,
}

impl Tie {
    /// The points that standing so costs.
    pub fn points(self, costs: &Costs) -> u32 {
        match self {
            Tie::Same => 0,
            Tie::OtherForm => costs.other_form,
            Tie::Swap => costs.swap,
        }
    }
}

/// How two substances stand to one another, if they do.
pub fn tie(m: &Materia, a: SubstanceIx, b: SubstanceIx) -> Option<Tie> {
    if a == b {
        Some(Tie::Same)
    } else if m.raw_form(a) == m.raw_form(b) {
        Some(Tie::OtherForm)
    } else if m.swappable(a, b) {
        Some(Tie::Swap)
    } else {
        None
    }
}

/// Pairs each of `base` with at most one of `other`, nearest ties first. What is left over on either side is not in
/// the list.
pub fn pair(m: &Materia, base: &[SubstanceIx], other: &[SubstanceIx]) -> Vec<(SubstanceIx, SubstanceIx, Tie)> {
    let mut pairs = Vec::new();
    let mut used_base = vec![false; base.len()];
    let mut used_other = vec![false; other.len()];
    for wanted in [Tie::Same, Tie::OtherForm, Tie::Swap] {
        for (i, &a) in base.iter().enumerate() {
            if used_base[i] {
                continue;
            }
            let found = other.iter().enumerate().find(|(j, b)| !used_other[*j] && tie(m, a, **b) == Some(wanted));
            if let Some((j, &b)) = found {
                used_base[i] = true;
                used_other[j] = true;
                pairs.push((a, b, wanted));
            }
        }
    }
    pairs.sort_by_key(|(a, _, _)| base.iter().position(|x| x == a));
    pairs
}
