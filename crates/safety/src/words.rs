//! Words for conditions, medicines and laws: from what is typed to the record.

use fangwright_materia::records::{ConditionKind, SafetyData};
use rapidfuzz::distance::levenshtein;
use rustc_hash::FxHashMap;

/// A medicine or a class of medicines.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) enum Drug {
    Medicine(u16),
    Class(u16),
}

/// Every word that conditions, medicines, classes and laws go by.
pub(crate) struct Words {
    pub(crate) condition_ids: Vec<String>,
    conditions: FxHashMap<String, u16>,
    implied: Vec<Vec<u16>>,
    pub(crate) class_ids: Vec<String>,
    wider: Vec<Vec<u16>>,
    pub(crate) medicine_ids: Vec<String>,
    classes_of: Vec<Vec<u16>>,
    drugs: FxHashMap<String, Drug>,
    pub(crate) law_ids: Vec<String>,
}

/// Lower case, one space between words, hyphens and primes as spaces.
pub(crate) fn plain(text: &str) -> String {
    let text: String =
        text.chars().map(|c| if matches!(c, '-' | '_' | '\'' | '’' | ',') { ' ' } else { c }).collect::<String>();
    text.to_lowercase().split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A number and a unit at the end say how much, not what.
fn without_strength(text: &str) -> &str {
    match text.find(|c: char| c.is_ascii_digit()) {
        Some(at) if at > 0 => text[..at].trim_end(),
        _ => text,
    }
}

fn closure(edges: &[Vec<u16>]) -> Vec<Vec<u16>> {
    (0..edges.len() as u16)
        .map(|start| {
            let mut all = vec![start];
            let mut at = 0;
            while let Some(x) = all.get(at).copied() {
                at += 1;
                for next in &edges[x as usize] {
                    if !all.contains(next) {
                        all.push(*next);
                    }
                }
            }
            all
        })
        .collect()
}

fn number(ids: &[String], id: &str) -> Option<u16> {
    ids.binary_search_by(|x| x.as_str().cmp(id)).ok().map(|i| i as u16)
}

impl Words {
    pub(crate) fn new(data: &SafetyData) -> Words {
        // BTreeMaps give their keys in order, which `number` relies on.
        let condition_ids: Vec<String> = data.conditions.keys().cloned().collect();
        let class_ids: Vec<String> = data.classes.keys().cloned().collect();
        let medicine_ids: Vec<String> = data.medicines.keys().cloned().collect();
        let numbers = |ids: &[String], named: &[String]| named.iter().filter_map(|n| number(ids, n)).collect();
        let implied: Vec<Vec<u16>> = data.conditions.values().map(|c| numbers(&condition_ids, &c.implies)).collect();
        let within: Vec<Vec<u16>> = data.classes.values().map(|c| numbers(&class_ids, &c.within)).collect();
        let wider = closure(&within);
        let classes_of = data
            .medicines
            .values()
            .map(|m| {
                let own: Vec<u16> = numbers(&class_ids, &m.classes);
                let mut all: Vec<u16> = own.iter().flat_map(|c| wider[*c as usize].iter().copied()).collect();
                all.sort_unstable();
                all.dedup();
                all
            })
            .collect();
        let mut conditions = FxHashMap::default();
        // Ids before names: an id never means another record.
        for (i, id) in (0u16..).zip(data.conditions.keys()) {
            conditions.insert(plain(id), i);
        }
        for (i, (id, c)) in (0u16..).zip(&data.conditions) {
            // An allergy may go by a food's name that means another thing elsewhere: the kind stands before it.
            let kind = c.kind.word();
            for word in [id, &c.en, &c.zh].into_iter().chain(&c.names) {
                conditions.entry(format!("{kind} {}", plain(word))).or_insert(i);
                if !matches!(c.kind, ConditionKind::Allergy | ConditionKind::Diet) || word == id {
                    conditions.entry(plain(word)).or_insert(i);
                }
            }
        }
        let mut drugs = FxHashMap::default();
        for (i, id) in (0u16..).zip(data.classes.keys()) {
            drugs.insert(plain(id), Drug::Class(i));
        }
        for (i, id) in (0u16..).zip(data.medicines.keys()) {
            drugs.insert(plain(id), Drug::Medicine(i));
        }
        for (i, (id, x)) in (0u16..).zip(&data.medicines) {
            for word in [id, &x.en, &x.zh].into_iter().chain(&x.names) {
                drugs.entry(plain(word)).or_insert(Drug::Medicine(i));
            }
        }
        for (i, (id, c)) in (0u16..).zip(&data.classes) {
            for word in [id, &c.en, &c.zh].into_iter().chain(&c.names) {
                drugs.entry(plain(word)).or_insert(Drug::Class(i));
            }
        }
        Words {
            implied: closure(&implied),
            law_ids: data.jurisdictions.keys().cloned().collect(),
            condition_ids,
            conditions,
            class_ids,
            wider,
            medicine_ids,
            classes_of,
            drugs,
        }
    }

    pub(crate) fn condition_ix(&self, id: &str) -> Option<u16> {
        number(&self.condition_ids, id)
    }

    pub(crate) fn class_ix(&self, id: &str) -> Option<u16> {
        number(&self.class_ids, id)
    }

    pub(crate) fn medicine_ix(&self, id: &str) -> Option<u16> {
        number(&self.medicine_ids, id)
    }

    pub(crate) fn law_ix(&self, id: &str) -> Option<u16> {
        number(&self.law_ids, &id.to_lowercase())
    }

    /// The condition itself and all that it brings with it.
    pub(crate) fn implied(&self, condition: u16) -> &[u16] {
        &self.implied[condition as usize]
    }

    /// The class itself and all it belongs to.
    pub(crate) fn wider(&self, class: u16) -> &[u16] {
        &self.wider[class as usize]
    }

    /// All classes of a medicine.
    pub(crate) fn classes_of(&self, medicine: u16) -> &[u16] {
        &self.classes_of[medicine as usize]
    }

    /// The condition that a word means; an allergy or a diet may go by the food's name.
    pub(crate) fn condition(&self, word: &str, kind: Option<ConditionKind>) -> Option<u16> {
        let word = plain(word);
        let of_kind = kind.and_then(|k| self.conditions.get(&format!("{} {word}", k.word())));
        let found = of_kind.or_else(|| self.conditions.get(&word)).or_else(|| {
            // A plural, or the word with its kind before it: `allergy to nuts`.
            let rest = word.strip_prefix("allergy to ").or(word.strip_suffix('s'));
            rest.and_then(|r| {
                let of_kind = kind.and_then(|k| self.conditions.get(&format!("{} {r}", k.word())));
                of_kind.or_else(|| self.conditions.get(r))
            })
        });
        found.copied()
    }

    /// What a name of medicines means: one, or the parts of a combination.
    pub(crate) fn drug(&self, name: &str) -> Option<Vec<Drug>> {
        let name = plain(name);
        let one = |text: &str| {
            let text = text.trim();
            let short = without_strength(text);
            let plural = |t: &str| t.strip_suffix('s').and_then(|t| self.drugs.get(t)).copied();
            self.drugs.get(text).or_else(|| self.drugs.get(short)).copied().or_else(|| plural(short))
        };
        if let Some(drug) = one(&name) {
            return Some(vec![drug]);
        }
        let parts: Vec<&str> = name.split(['/', '+', '&']).flat_map(|p| p.split(" and ")).collect();
        (parts.len() > 1).then(|| parts.into_iter().map(one).collect::<Option<Vec<Drug>>>()).flatten()
    }

    /// The medicine or class whose name is nearest, to ask whether it was meant.
    pub(crate) fn nearest_drug(&self, name: &str) -> Option<String> {
        let name = plain(name);
        let near = self
            .drugs
            .iter()
            .map(|(word, drug)| (levenshtein::distance(name.chars(), word.chars()), word.as_str(), drug));
        let (_, _, drug) =
            near.filter(|(d, _, _)| *d <= 1 + name.chars().count() / 5).min_by_key(|(d, w, _)| (*d, *w))?;
        Some(self.drug_id(*drug).to_string())
    }

    /// The condition whose name is nearest.
    pub(crate) fn nearest_condition(&self, name: &str) -> Option<String> {
        let name = plain(name);
        let near = self.conditions.iter().map(|(word, c)| (levenshtein::distance(name.chars(), word.chars()), word, c));
        let (_, _, c) = near.filter(|(d, _, _)| *d <= 1 + name.chars().count() / 5).min_by_key(|(d, w, _)| (*d, *w))?;
        Some(self.condition_ids[*c as usize].clone())
    }

    /// The id of a medicine or class.
    pub(crate) fn drug_id(&self, drug: Drug) -> &str {
        match drug {
            Drug::Medicine(i) => &self.medicine_ids[i as usize],
            Drug::Class(i) => &self.class_ids[i as usize],
        }
    }
}
