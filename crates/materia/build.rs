//! Reads and checks everything under `data/`, and packs it for the binary. A mistake in the data stops the build.
//! The index of names is compiled into this script as well.

#[path = "src/index.rs"]
#[expect(dead_code, reason = "the build makes the index and does not search it")]
mod index;
#[path = "src/normal.rs"]
mod normal;

use std::path::{Path, PathBuf};
use std::{env, fs};

use fangwright_records::{DataFile, Library};

fn collect(dir: &Path, root: &Path, files: &mut Vec<DataFile>) {
    let mut entries: Vec<PathBuf> =
        fs::read_dir(dir).expect("data/ can be read").map(|e| e.expect("data/ can be read").path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            collect(&path, root, files);
        } else if path.extension().is_some_and(|e| e == "toml") {
            let name = path.strip_prefix(root).expect("below the root").to_string_lossy().replace('\\', "/");
            let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            files.push(DataFile { name, text, own: false });
        }
    }
}

fn main() {
    let root = Path::new(&env::var("CARGO_MANIFEST_DIR").expect("set by cargo")).join("../../data");
    println!("cargo::rerun-if-changed={}", root.display());
    let mut files = Vec::new();
    collect(&root, &root, &mut files);
    let mut library = Library::default();
    let problems = library.overlay(&files);
    if !problems.is_empty() {
        for problem in &problems {
            println!("cargo::error=data/{problem}");
        }
        return;
    }
    // The index of names is made here, so that a start need not make it.
    let bytes = postcard::to_stdvec(&index::Packed::of(library)).expect("a library can be packed");
    let out = Path::new(&env::var("OUT_DIR").expect("set by cargo")).join("library.bin");
    fs::write(out, bytes).expect("the build folder can be written");
}
