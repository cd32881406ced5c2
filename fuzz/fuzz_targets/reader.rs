//! Whatever comes in: no panic, and the tokens cover the input without gap or overlap.
#![no_main]

use std::sync::OnceLock;

use fangwright_formula::{Conventions, Mix, Profile, blend, read, read_bytes};
use fangwright_materia::Materia;
use libfuzzer_sys::fuzz_target;

static MATERIA: OnceLock<Materia> = OnceLock::new();

fuzz_target!(|bytes: &[u8]| {
    let m = MATERIA.get_or_init(Materia::embedded);
    let _ = read_bytes(m, bytes);
    if let Ok(text) = std::str::from_utf8(bytes) {
        let rx = read(m, text);
        let mut at = 0;
        for token in &rx.tokens {
            assert_eq!(token.span.start, at, "gap or overlap");
            assert!(token.span.end > token.span.start, "empty token");
            at = token.span.end;
        }
        assert_eq!(at, text.len(), "the end is lost");
        for d in &rx.diagnostics {
            assert!(text.get(d.span.start..d.span.end).is_some(), "a diagnostic points outside");
        }
        let mix = Mix::of_prescription(m, &rx, &Conventions::usual(m));
        let _ = Profile::of(m, &mix);
        let _ = blend(m, text);
    }
});
