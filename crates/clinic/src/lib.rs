//! The clinic's record. What stands so far: a SQLite store that keeps the book of stock, and the [`audit`] chain in which every read
//! and write of a person's record is to be written down.
//!
//! ```
//! use fangwright_clinic::audit::{Deed, Link, verify};
//! use jiff::Timestamp;
//! let deed = |what: &str| Deed { at: Timestamp::UNIX_EPOCH, who: "j.oake".into(), what: what.into(), about: "person 7".into() };
//! let first = Link::first(deed("read"));
//! let second = Link::after(&first, deed("wrote"));
//! assert_eq!(verify([&first, &second]), Ok(2));
//! let mut forged = first.clone();
//! forged.deed.who = "somebody else".into();
//! assert_eq!(verify([&forged, &second]).unwrap_err().number, 1);
//! ```
#![warn(missing_docs)]

pub mod audit;
pub mod model;
mod store;

pub use store::{Store, StoreError};
