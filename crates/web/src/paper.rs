//! A person's whole record on paper.

use fangwright_clinic::model::{FullNames, Whole};
use fangwright_clinic::paper::record_pages;
use fangwright_materia::Materia;
use fangwright_print::{Press, PrintError};
use serde_json::Value;

/// The whole record of a person as a PDF. `picture` gives the bytes of an attachment by its id.
///
/// # Errors
/// If it cannot be printed.
pub fn record_pdf(
    press: &Press,
    m: &Materia,
    record: &Whole,
    names: &FullNames,
    clinic: &str,
    language: &str,
    picture: &dyn Fn(&str) -> Option<Vec<u8>>,
) -> Result<Vec<u8>, PrintError> {
    let mut named = Vec::new();
    let mut pictures = Vec::new();
    for (n, a) in record.attachments.iter().enumerate() {
        let Some(end) = a.record.media.strip_prefix("image/") else { continue };
        if let Some(data) = picture(&a.id) {
            let name = format!("picture-{n}.{end}");
            named.push((a.id.clone(), name.clone()));
            pictures.push((name, data));
        }
    }
    let today = fangwright_clinic::record::today();
    let set = |named: &[(String, String)], pictures: Vec<(String, Vec<u8>)>| -> Result<Vec<u8>, PrintError> {
        let mut data = record_pages(m, record, names, clinic, language, named, today);
        match press.set_with("record.typ", &data, pictures.clone()) {
            // A character that no font has is spelt out: a record is printed whole or not at all.
            Err(PrintError::Glyphs { characters }) => {
                spell_out(&mut data, &characters);
                press.pdf(&press.set_with("record.typ", &data, pictures)?, true)
            }
            Err(e) => Err(e),
            Ok(pages) => press.pdf(&pages, true),
        }
    };
    match set(&named, pictures) {
        // A picture that is none must not keep the rest from being printed; it is listed as not printed.
        Err(PrintError::Template { .. }) if !named.is_empty() => set(&[], Vec::new()),
        other => other,
    }
}

fn spell_out(value: &mut Value, characters: &str) {
    match value {
        Value::String(text) if text.contains(|ch| characters.contains(ch)) => {
            let spelt = text
                .chars()
                .map(|ch| if characters.contains(ch) { format!("[U+{:04X}]", u32::from(ch)) } else { ch.to_string() });
            *text = spelt.collect();
        }
        Value::Array(list) => list.iter_mut().for_each(|v| spell_out(v, characters)),
        Value::Object(map) => map.values_mut().for_each(|v| spell_out(v, characters)),
        _ => {}
    }
}
