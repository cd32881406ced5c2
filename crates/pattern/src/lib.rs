//! What a practitioner does with findings: read them, name patterns, ask the next question, and change a formula so
//! that it fits.

mod flags;
mod judge;
mod terms;

pub use flags::{Flags, Raised, red_flags};
pub use judge::{
    Contradiction, FormulaRanked, Judge, Judgement, Presentation, Question, Ranked, Tie, Together, Weighed,
};
pub use terms::{FindingIx, Noted, Terms, UnreadWord};
mod model;
mod modify;

pub use model::{Model, Row, Solved};
pub use modify::{
    BaseItem, Customs, Demand, Fate, Line, Modified, Proposal, Rejected, Wish, WishError, model_of, modify,
};
