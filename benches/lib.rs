//! Inputs that the benches share.

use fangwright_materia::{FormulaIx, Materia, SubstanceIx};

/// A prescription of twelve, built on two formulas with one thing added and one exchanged; `facts trace` times the
/// same one.
pub const PRESCRIPTION: &str =
    "柴胡12g 黄芩9g 法半夏9g 党参9g 炙甘草6g 生姜9g 大枣12g 熟地黄12g 白芍9g 当归9g 川芎6g 陈皮6g";

/// A formula's number and its ingredients, as a tracer takes them.
pub type Set = (FormulaIx, Vec<SubstanceIx>);

/// A small generator (SplitMix64), so that the same inputs come out on every machine and with every library version.
pub struct Seeded(pub u64);

impl Seeded {
    /// The next number.
    pub fn next_number(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `end`.
    pub fn below(&mut self, end: usize) -> usize {
        (self.next_number() % end as u64) as usize
    }
}

/// The composition of every formula of the collection.
pub fn real_sets(m: &Materia) -> Vec<Set> {
    m.formulas()
        .map(|(ix, f)| (ix, f.ingredients.iter().filter_map(|i| m.substance_by_id(&i.substance)).collect()))
        .collect()
}

/// `count` formulas: real ones drawn without repetition as far as they go, then real ones with one to three changes.
///
/// What is put in is drawn from the ingredients of the whole collection, so that what is common stays common: the
/// lists of formulas that share an ingredient with a prescription grow as they would with more books.
pub fn grown_sets(m: &Materia, count: usize, seed: u64) -> Vec<Set> {
    let real = real_sets(m);
    let pool: Vec<SubstanceIx> = real.iter().flat_map(|(_, set)| set.iter().copied()).collect();
    let mut random = Seeded(seed);
    let mut sets = real.clone();
    for i in (1..sets.len()).rev() {
        sets.swap(i, random.below(i + 1));
    }
    sets.truncate(count);
    while sets.len() < count {
        let (ix, mut set) = real[random.below(real.len())].clone();
        for _ in 0..=random.below(3) {
            let new = pool[random.below(pool.len())];
            let at = random.below(set.len());
            match random.below(3) {
                0 if set.len() > 2 => {
                    set.remove(at);
                }
                1 if !set.contains(&new) => set[at] = new,
                _ if !set.contains(&new) => set.push(new),
                _ => {}
            }
        }
        sets.push((ix, set));
    }
    sets
}
