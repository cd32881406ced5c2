//! A chain of what was done: each link holds the hash of the one before, so that whoever changes, takes out or moves one breaks the
//! chain at that place.
//!
//! The hash is SHA-256 (FIPS 180-4) over the number, the hash before, and each field with its length in front, so that no two different
//! links come to the same bytes. It shows tampering by whoever cannot write the whole chain anew; the last hash, kept elsewhere, shows
//! even that.

use std::fmt::Write;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// What somebody did.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Deed {
    /// When.
    pub at: Timestamp,
    /// Who: an account.
    pub who: String,
    /// What: read, wrote, signed …
    pub what: String,
    /// Of what: `visit ID`, `search words` …
    pub about: String,
    /// Whose record: the id of a person; empty where it is nobody's.
    #[serde(default)]
    pub person: String,
    /// SHA-256 of what was written, in hexadecimal; empty where nothing was. Whoever changes a record behind the program's back is found
    /// by it.
    #[serde(default)]
    pub content: String,
}

impl Deed {
    /// A deed about nothing that is kept.
    pub fn new(at: Timestamp, who: &str, what: &str, about: impl Into<String>) -> Deed {
        let about = about.into();
        Deed { at, who: who.into(), what: what.into(), about, person: String::new(), content: String::new() }
    }

    /// The same about somebody's record.
    pub fn of(self, person: &str) -> Deed {
        Deed { person: person.into(), ..self }
    }

    /// The same with what was written.
    pub fn writing(self, body: &str) -> Deed {
        Deed { content: sha256(body.as_bytes()), ..self }
    }
}

/// SHA-256 in hexadecimal.
pub fn sha256(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

fn hex(bytes: &[u8]) -> String {
    let mut out = String::with_capacity(2 * bytes.len());
    for byte in bytes {
        let _ = write!(out, "{byte:02x}");
    }
    out
}

/// One link.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Link {
    /// Number, from 1 without gap.
    pub number: u64,
    /// What was done.
    pub deed: Deed,
    /// Hash of the link before, in hexadecimal; empty for the first.
    pub before: String,
    /// Hash of this link.
    pub hash: String,
}

/// Where a chain is broken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the chain is broken at link {number}: {why}")]
pub struct Broken {
    /// The first link that does not fit.
    pub number: u64,
    /// How.
    pub why: String,
}

fn hash_of(number: u64, before: &str, deed: &Deed) -> String {
    let mut h = Sha256::new();
    h.update(number.to_be_bytes());
    for field in [before, &deed.at.to_string(), &deed.who, &deed.what, &deed.about, &deed.person, &deed.content] {
        h.update((field.len() as u64).to_be_bytes());
        h.update(field.as_bytes());
    }
    hex(&h.finalize())
}

impl Link {
    /// The link after the one with this number and hash; after number 0 stands the first.
    pub fn next(number: u64, before: &str, deed: Deed) -> Link {
        let number = number + 1;
        let hash = hash_of(number, before, &deed);
        Link { number, deed, before: before.into(), hash }
    }

    /// The first link of a chain.
    pub fn first(deed: Deed) -> Link {
        let hash = hash_of(1, "", &deed);
        Link { number: 1, deed, before: String::new(), hash }
    }

    /// The link after another.
    pub fn after(last: &Link, deed: Deed) -> Link {
        let number = last.number + 1;
        let hash = hash_of(number, &last.hash, &deed);
        Link { number, deed, before: last.hash.clone(), hash }
    }
}

/// Walks along a chain, link by link.
#[derive(Debug, Clone, Default)]
pub struct Walk {
    /// The last link that was good: its number and hash.
    number: u64,
    hash: String,
}

impl Walk {
    /// Goes on from a link that is trusted.
    pub fn from(number: u64, hash: &str) -> Walk {
        Walk { number, hash: hash.into() }
    }

    /// How far it came: number and hash of the last link.
    pub fn head(&self) -> (u64, &str) {
        (self.number, &self.hash)
    }

    /// Takes the next link.
    ///
    /// # Errors
    /// If it does not fit: out of order, not holding the hash before it, or changed.
    pub fn step(&mut self, link: &Link) -> Result<(), Broken> {
        let wanted = self.number + 1;
        let broken = |why: String| Broken { number: wanted, why };
        if link.number != wanted {
            return Err(broken(format!("link {} stands there", link.number)));
        }
        if link.before != self.hash {
            return Err(broken("it does not hold the hash of the link before it".into()));
        }
        if link.hash != hash_of(link.number, &self.hash, &link.deed) {
            return Err(broken("it was changed after it was written".into()));
        }
        self.number = wanted;
        self.hash.clone_from(&link.hash);
        Ok(())
    }
}

/// Walks over a whole chain and gives its length.
///
/// # Errors
/// The first place that does not fit.
pub fn verify<'a>(links: impl IntoIterator<Item = &'a Link>) -> Result<u64, Broken> {
    let mut walk = Walk::default();
    for link in links {
        walk.step(link)?;
    }
    Ok(walk.number)
}
