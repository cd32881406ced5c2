//! What a practitioner does with formulas: read a prescription as it is written, find what it is built on, see what
//! changed and why, blend, and place it in its family.
//!
//! ```
//! use fangwright_formula::{Conventions, Mix, Tracer, read};
//! use fangwright_materia::Materia;
//!
//! let materia = Materia::embedded();
//! let rx = read(&materia, "柴胡12g 黄芩9g 法半夏9g 党参9g 炙甘草6g 生姜9g 大枣9g 陈皮6g");
//! assert!(!rx.has_errors());
//! let mix = Mix::of_prescription(&materia, &rx, &Conventions::usual(&materia));
//! let grams: Vec<_> = mix.parts.iter().map(|p| p.grams).collect();
//! let trace = Tracer::new(&materia).trace(&materia, &mix.substances(), &grams, |_| true)?;
//! assert_eq!(materia.formula(trace.best[0].bases[0].formula).id, "xiao-chai-hu-tang");
//! # Ok::<(), fangwright_formula::TraceError>(())
//! ```

mod blend;
mod compare;
mod family;
mod matching;
mod mix;
mod profile;
mod reader;
mod svg;
mod trace;

pub use blend::{Blend, BlendError, BlendLine, blend};
pub use compare::{Aim, Changed, Difference, Point, Verdict, Way, What, aim_of_formula, compare, compare_for};
pub use family::{Edge, Families, Family, Member, arborescence};
pub use matching::{Tie, pair, tie};
pub use mix::{Conventions, Mix, Part, UnknownConvention, WeighError, formula_label, label};
pub use profile::{Profile, ProfileLine};
pub use reader::{Diagnostic, Item, LARGEST, Prescription, Span, Token, TokenKind, Weight, Written, read, read_bytes};
pub use svg::family_svg;
pub use trace::{Base, MOST, Sum, Trace, TraceError, Tracer};
