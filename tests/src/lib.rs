//! Helpers for the checks from outside.

pub mod binary;
pub mod clauses;
pub mod invented;

use std::fs;
use std::path::{Path, PathBuf};

use serde::de::DeserializeOwned;

/// The folder with the facts.
pub fn reference() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference")
}

/// Reads a table of facts.
///
/// # Panics
/// If the file is not there or has another shape: a check without its facts must not pass.
pub fn facts<T: DeserializeOwned>(file: &str) -> T {
    let path = reference().join(file);
    let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    toml::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}
