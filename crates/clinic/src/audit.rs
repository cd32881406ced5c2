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
    /// Of what: the key of a record.
    pub about: String,
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
    for field in [before, &deed.at.to_string(), &deed.who, &deed.what, &deed.about] {
        h.update((field.len() as u64).to_be_bytes());
        h.update(field.as_bytes());
    }
    let mut out = String::with_capacity(64);
    for byte in h.finalize() {
        let _ = write!(out, "{byte:02x}");
    }
    out
}

impl Link {
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

/// Walks over a chain and gives its length.
///
/// # Errors
/// The first place that does not fit: a number out of order, a link that does not hold the hash before it, or one that was changed.
pub fn verify<'a>(links: impl IntoIterator<Item = &'a Link>) -> Result<u64, Broken> {
    let mut last: Option<&Link> = None;
    for link in links {
        let wanted = last.map_or(1, |l| l.number + 1);
        let broken = |why: String| Broken { number: wanted, why };
        if link.number != wanted {
            return Err(broken(format!("link {} stands there", link.number)));
        }
        let before = last.map_or("", |l| l.hash.as_str());
        if link.before != before {
            return Err(broken("it does not hold the hash of the link before it".into()));
        }
        if link.hash != hash_of(link.number, before, &link.deed) {
            return Err(broken("it was changed after it was written".into()));
        }
        last = Some(link);
    }
    Ok(last.map_or(0, |l| l.number))
}
