//! The schema of `data/`: one clear shape a kind, read from TOML, checked, and put together into a [`Library`].
//!
//! The same code runs in the build of `fangwright-materia`, over the files that ship, and at run time over a
//! practitioner's own folder. It does no I/O: give it names and texts.
//!
//! ```
//! use fangwright_records::{DataFile, Library};
//! let mut library = Library::default();
//! let file = DataFile::new("vocabulary/actions.toml", "[actions]\nmove-qi = { zh = \"行气\", en = \"move qi\", direction = \"up\" }");
//! let problems = library.overlay(&[file]);
//! assert_eq!(problems.len(), 1);
//! assert_eq!((problems[0].line, problems[0].column), (2, 52));
//! ```

#[macro_use]
mod model;
mod dispensing;
mod later;
mod patterns;
mod read;
mod rules;

pub use dispensing::*;
pub use later::Later;
pub use model::*;
pub use patterns::*;
pub use read::{DataFile, Problem};
pub use rules::*;
