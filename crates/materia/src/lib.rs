//! The materia medica and the formula collection: what ships in the binary, a practitioner's own folder over it,
//! and one resolver for every way of writing a name.
//!
//! ```
//! use fangwright_materia::{Materia, Resolution};
//! let materia = Materia::embedded();
//! for name in ["黄芪", "黃耆", "huang qi", "Huángqí", "Radix Astragali"] {
//!     match materia.resolve(name) {
//!         Resolution::Known { substance, .. } => assert_eq!(materia.substance(substance).id, "huang-qi"),
//!         other => panic!("{name}: {other:?}"),
//!     }
//! }
//! // A name that has destroyed kidneys is never guessed.
//! assert!(matches!(materia.resolve("Mu Tong"), Resolution::Ambiguous { .. }));
//! ```

mod index;
mod names;
mod normal;

use rustc_hash::FxHashMap as HashMap;

pub use fangwright_records as records;
use fangwright_records::{DataFile, Formula, Library, Problem, Process, Substance};
use schemars::JsonSchema;
use serde::Serialize;

use index::{Names, Packed};
pub use names::{Near, Resolution, Via};
use normal::Normalizer;
pub use normal::{Script, is_hanzi, script_of};

static LIBRARY: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/library.bin"));

/// Number of a substance in this [`Materia`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SubstanceIx(pub u32);

/// Number of a formula in this [`Materia`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct FormulaIx(pub u32);

/// The key under which a number stands in serialized values until [`Materia::spell_ids`] puts the stable id there.
const SUBSTANCE_KEY: &str = "$substance";
const FORMULA_KEY: &str = "$formula";

macro_rules! number_of_record {
    ($name:ident, $key:expr, $what:literal) => {
        impl Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
                use serde::ser::SerializeMap;
                let mut map = s.serialize_map(Some(1))?;
                map.serialize_entry($key, &self.0)?;
                map.end()
            }
        }

        impl JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }

            fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
                schemars::json_schema!({ "type": "string", "description": $what })
            }
        }
    };
}
number_of_record!(SubstanceIx, SUBSTANCE_KEY, "stable id of a substance, such as `huang-qi`");
number_of_record!(FormulaIx, FORMULA_KEY, "stable id of a formula, such as `gui-zhi-tang`");

/// All records, with their indexes.
pub struct Materia {
    library: Library,
    normalizer: Normalizer,
    substances: HashMap<String, SubstanceIx>,
    formulas: HashMap<String, FormulaIx>,
    children: HashMap<SubstanceIx, Vec<SubstanceIx>>,
    parents: Vec<Option<SubstanceIx>>,
    swaps: HashMap<SubstanceIx, Vec<SubstanceIx>>,
    substance_names: Names<'static>,
    formula_names: Names<'static>,
    /// Keys of the ambiguous names in hanzi.
    ambiguous_hanzi: Vec<String>,
}

impl Materia {
    /// What ships in the binary.
    ///
    /// # Panics
    /// If the packed data does not fit the program, which the build rules out.
    pub fn embedded() -> Materia {
        Materia::assemble(unpack())
    }

    /// What ships, with a practitioner's own files over it. Mistakes in them come back with file, line and column,
    /// and leave the shipped record in force.
    pub fn with_own(files: &[DataFile]) -> (Materia, Vec<Problem>) {
        let mut library = unpack().library;
        let problems = library.overlay(files);
        (Materia::index(library), problems)
    }

    /// Indexes a library that was put together elsewhere.
    pub fn index(library: Library) -> Materia {
        Materia::assemble(Packed::of(library))
    }

    fn assemble(packed: Packed<'static>) -> Materia {
        let Packed { library, normalizer, substance_names, formula_names } = packed;
        let substances: HashMap<String, SubstanceIx> =
            library.substances.iter().zip(0..).map(|(s, i)| (s.id.clone(), SubstanceIx(i))).collect();
        let formulas = library.formulas.iter().zip(0..).map(|(f, i)| (f.id.clone(), FormulaIx(i))).collect();
        let parents: Vec<Option<SubstanceIx>> =
            library.substances.iter().map(|s| substances.get(s.parent.as_ref()?).copied()).collect();
        let mut children: HashMap<SubstanceIx, Vec<SubstanceIx>> = HashMap::default();
        let mut swaps: HashMap<SubstanceIx, Vec<SubstanceIx>> = HashMap::default();
        for (s, i) in library.substances.iter().zip(0..) {
            if let Some(parent) = parents[i as usize] {
                children.entry(parent).or_default().push(SubstanceIx(i));
            }
            for other in s.swap.iter().filter_map(|o| substances.get(o)) {
                swaps.entry(SubstanceIx(i)).or_default().push(*other);
                swaps.entry(*other).or_default().push(SubstanceIx(i));
            }
        }
        for list in swaps.values_mut() {
            list.sort();
            list.dedup();
        }
        let ambiguous_hanzi = library
            .ambiguous
            .iter()
            .flat_map(|a| std::iter::once(&a.name).chain(&a.also))
            .map(|name| normalizer.hanzi_key(name))
            .filter(|key| !key.is_empty())
            .collect();
        Materia {
            ambiguous_hanzi,
            library,
            normalizer,
            substances,
            formulas,
            children,
            parents,
            swaps,
            substance_names,
            formula_names,
        }
    }

    /// Puts stable ids where serialized values hold numbers of records, so that output can leave the program.
    pub fn spell_ids(&self, value: &mut serde_json::Value) {
        use serde_json::Value;
        match value {
            Value::Array(list) => list.iter_mut().for_each(|v| self.spell_ids(v)),
            Value::Object(map) => {
                let number = |key: &str| map.get(key).and_then(Value::as_u64).map(|n| n as usize);
                if let Some(s) = number(SUBSTANCE_KEY).and_then(|n| self.library.substances.get(n)) {
                    *value = Value::String(s.id.clone());
                } else if let Some(f) = number(FORMULA_KEY).and_then(|n| self.library.formulas.get(n)) {
                    *value = Value::String(f.id.clone());
                } else {
                    map.values_mut().for_each(|v| self.spell_ids(v));
                }
            }
            _ => {}
        }
    }

    /// The records as read.
    pub fn library(&self) -> &Library {
        &self.library
    }

    /// All substances.
    pub fn substances(&self) -> impl ExactSizeIterator<Item = (SubstanceIx, &Substance)> {
        self.library.substances.iter().enumerate().map(|(i, s)| (SubstanceIx(i as u32), s))
    }

    /// All formulas.
    pub fn formulas(&self) -> impl ExactSizeIterator<Item = (FormulaIx, &Formula)> {
        self.library.formulas.iter().enumerate().map(|(i, f)| (FormulaIx(i as u32), f))
    }

    /// One substance.
    pub fn substance(&self, ix: SubstanceIx) -> &Substance {
        &self.library.substances[ix.0 as usize]
    }

    /// One formula.
    pub fn formula(&self, ix: FormulaIx) -> &Formula {
        &self.library.formulas[ix.0 as usize]
    }

    /// The substance with this id.
    pub fn substance_by_id(&self, id: &str) -> Option<SubstanceIx> {
        self.substances.get(id).copied()
    }

    /// The formula with this id.
    pub fn formula_by_id(&self, id: &str) -> Option<FormulaIx> {
        self.formulas.get(id).copied()
    }

    /// The substance this one is a processed form of, followed to the raw one; itself if it is raw.
    pub fn raw_form(&self, ix: SubstanceIx) -> SubstanceIx {
        let mut at = ix;
        // Bounded, so that a circle in somebody's own data cannot hang the program.
        for _ in 0..8 {
            match self.parents[at.0 as usize] {
                Some(parent) => at = parent,
                None => break,
            }
        }
        at
    }

    /// Processed forms made directly from this substance.
    pub fn processed_forms(&self, ix: SubstanceIx) -> &[SubstanceIx] {
        self.children.get(&ix).map_or(&[], Vec::as_slice)
    }

    /// The form of this substance that a process makes, if it has a record.
    pub fn processed_form(&self, ix: SubstanceIx, process: Process) -> Option<SubstanceIx> {
        self.processed_forms(ix).iter().copied().find(|f| self.substance(*f).process == Some(process))
    }

    /// The substances of a formula, in its order. The check of the data sees to it that all of them are here.
    pub fn ingredients(&self, ix: FormulaIx) -> Vec<SubstanceIx> {
        self.formula(ix).ingredients.iter().filter_map(|i| self.substance_by_id(&i.substance)).collect()
    }

    /// Whether practice puts one in the place of the other (by the data, either way round, raw forms included).
    pub fn swappable(&self, a: SubstanceIx, b: SubstanceIx) -> bool {
        let listed = |a, b| self.swaps.get(&a).is_some_and(|l| l.binary_search(&b).is_ok());
        listed(a, b) || listed(self.raw_form(a), self.raw_form(b))
    }

    /// What practice puts in the place of this one, raw forms included.
    pub fn swaps_of(&self, ix: SubstanceIx) -> Vec<SubstanceIx> {
        let own = self.swaps.get(&ix).into_iter().flatten();
        let raw = self.swaps.get(&self.raw_form(ix)).into_iter().flatten();
        let mut all: Vec<SubstanceIx> = own.chain(raw).copied().collect();
        // Forms of a raw substance that may be swapped may be swapped too.
        let forms: Vec<SubstanceIx> = all.iter().flat_map(|s| self.processed_forms(*s)).copied().collect();
        all.extend(forms);
        all.sort();
        all.dedup();
        all
    }

    /// Finds the substance that `name` means, in any script and spelling.
    pub fn resolve(&self, name: &str) -> Resolution<SubstanceIx> {
        names::resolve_substance(self, name)
    }

    /// Finds the formula that `name` means.
    pub fn resolve_formula(&self, name: &str) -> Resolution<FormulaIx> {
        names::resolve_formula(self, name)
    }

    /// The `n` substances whose names are nearest to `name`, nearest first.
    pub fn nearest(&self, name: &str, n: usize) -> Vec<Near<SubstanceIx>> {
        self.substance_names.nearest(name, &self.normalizer, n).into_iter().map(|x| x.map(SubstanceIx)).collect()
    }

    /// Where a text in hanzi begins with names of substances: the byte length of each name that fits, longest first.
    /// Names that only a person can settle are names too.
    pub fn hanzi_prefixes(&self, text: &str) -> Vec<usize> {
        let mut ends = self.substance_names.hanzi_prefixes(text, &self.normalizer);
        for key in &self.ambiguous_hanzi {
            let mut typed = text.char_indices();
            let fits = key.chars().all(|k| typed.next().is_some_and(|(_, c)| self.normalizer.plain_char(c) == k));
            let end = typed.offset();
            if fits && !ends.contains(&end) {
                ends.push(end);
            }
        }
        ends.sort_unstable_by(|a, b| b.cmp(a));
        ends
    }

    /// The same for names of formulas.
    pub fn hanzi_formula_prefixes(&self, text: &str) -> Vec<usize> {
        self.formula_names.hanzi_prefixes(text, &self.normalizer)
    }

    /// Whether `name` is, letter for letter (case, spaces and tones aside), a name of a substance or an ambiguous one.
    pub fn names_a_substance(&self, name: &str) -> bool {
        names::is_name(self, name)
    }

    /// Whether `name` is a name of a formula.
    pub fn names_a_formula(&self, name: &str) -> bool {
        matches!(self.resolve_formula(name), Resolution::Known { .. } | Resolution::Ambiguous { .. })
    }

    /// The text with traditional characters, variants and full-width forms brought to the simplified, plain ones;
    /// one character in gives one character out.
    pub fn plain_char(&self, c: char) -> char {
        self.normalizer.plain_char(c)
    }
}

/// What the build packed: see build.rs.
fn unpack() -> Packed<'static> {
    match postcard::from_bytes(LIBRARY) {
        Ok(packed) => packed,
        Err(error) => panic!("the data packed into this program cannot be read: {error}"),
    }
}
