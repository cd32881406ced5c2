//! Pages of a dispensing as PDF: prescription, worksheet, label, patient sheet, from templates a clinic can change.
//!
//! [`Ticket`] is everything a page may say; [`pages_data`] makes it into the plain JSON that a template reads (`docs/templates.md`
//! tells its shape). [`Press`] sets a template with it. A text that does not fit is an error, never cut off; so is a character that
//! no font has.
#![warn(missing_docs)]

mod press;
mod ticket;

pub use press::{Pages, Press, PrintError, TEMPLATES};
pub use ticket::{Clinic, LabelSize, Language, Person, PrintedFinding, Ticket, bar_code, pages_data};
