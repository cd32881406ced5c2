//! That the binary starts. The tests of its commands are in the package `fangwright-checks`; with a test here, cargo builds the
//! binary in the same go as all tests, with the same features, so that nothing is built twice.

#[test]
fn it_says_its_version() {
    let out =
        std::process::Command::new(env!("CARGO_BIN_EXE_fangwright")).arg("--version").output().expect("it starts");
    assert!(out.status.success() && out.stdout.starts_with(b"fangwright "));
}
