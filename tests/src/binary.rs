//! The binary, run as a user runs it.

use std::fs;
use std::path::PathBuf;
use std::process::{Command, Output};
use std::sync::OnceLock;

/// The binary beside the test that runs, built from the code as it is: a target folder that is kept may hold an older one. Where the
/// whole workspace is tested (`FANGWRIGHT_BUILT`), cargo has just built it.
fn binary() -> &'static PathBuf {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    BINARY.get_or_init(|| {
        let mut path = std::env::current_exe().unwrap();
        path.pop();
        path.pop();
        let profile = path.file_name().and_then(|p| p.to_str()).unwrap_or("debug");
        let profile = if profile == "debug" { "dev" } else { profile };
        if std::env::var_os("FANGWRIGHT_BUILT").is_some() {
            return path.join("fangwright");
        }
        let build =
            Command::new(env!("CARGO")).args(["build", "-q", "-p", "fangwright", "--profile", profile]).status();
        assert!(build.unwrap().success());
        path.join("fangwright")
    })
}

/// The program, with no folder of whoever runs the tests.
pub fn fangwright() -> Command {
    let mut c = Command::new(binary());
    c.env("XDG_DATA_HOME", std::env::temp_dir().join("fangwright-no-such-folder"));
    c
}

/// Runs it and waits.
pub fn run(args: &[&str]) -> Output {
    fangwright().args(args).output().unwrap()
}

/// A folder of one test's own, gone when the test is over.
pub struct Folder(PathBuf);

impl Folder {
    /// With these files in it.
    pub fn new(name: &str, files: &[(&str, &str)]) -> Folder {
        let path = std::env::temp_dir().join(format!("fangwright-{name}-{}", std::process::id()));
        let _ = fs::remove_dir_all(&path);
        fs::create_dir_all(&path).unwrap();
        for (file, text) in files {
            let file = path.join(file);
            fs::create_dir_all(file.parent().unwrap()).unwrap();
            fs::write(file, text).unwrap();
        }
        Folder(path)
    }

    /// Its path.
    pub fn path(&self) -> &str {
        self.0.to_str().unwrap()
    }
}

impl Folder {
    /// The path of a file in it.
    pub fn file(&self, name: &str) -> String {
        self.0.join(name).to_str().unwrap().into()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}
