//! The clinic's record: people, visits, prescriptions and what was handed out, kept in one SQLite file or in PostgreSQL, found again by
//! words, and never lost.
//!
//! [`Store`] keeps and finds; [`record`] makes, changes, signs and reads; [`accounts`] says who may do what; [`audit`] is the chain in which
//! every read and write of a person's record stands, and [`verify`] walks along it; [`backup`] copies all of it while others work and
//! puts it back. Records leave and come in as [`fhir`] bundles, as [`research`] tables without names, or as [`paper`].
//!
//! ```
//! use fangwright_clinic::audit::{Deed, Link, verify};
//! use jiff::Timestamp;
//! let deed = |what: &str| Deed::new(Timestamp::UNIX_EPOCH, "j.oake", what, "person 7");
//! let first = Link::next(0, "", deed("read"));
//! let second = Link::next(1, &first.hash, deed("wrote"));
//! assert_eq!(verify([&first, &second]), Ok(2));
//! let mut forged = first.clone();
//! forged.deed.who = "somebody else".into();
//! assert_eq!(verify([&forged, &second]).unwrap_err().number, 1);
//! ```
#![warn(missing_docs)]

pub mod accounts;
pub mod audit;
pub mod backup;
pub mod course;
pub mod erase;
pub mod exchange;
pub mod fhir;
pub mod handing;
pub mod model;
pub mod otp;
pub mod paper;
pub mod password;
pub mod record;
pub mod research;
pub mod retention;
pub mod seal;
pub mod search;
mod sql;
mod store;
pub mod verify;
pub mod words;

pub use record::ClinicError;
pub use sql::{Conn, Place, Row, StoreError, Val};
pub use store::{Lore, Store, Tx};
