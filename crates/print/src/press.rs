//! Setting a page: a template, data, and the fonts that ship.

use std::collections::BTreeMap;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU64, Ordering};

use serde_json::Value;
use typst::diag::{FileError, FileResult, Severity, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::layout::{Frame, FrameItem};
use typst::model::Document as _;
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World, WorldExt};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandards};

/// The templates that ship: name and text.
pub const TEMPLATES: &[(&str, &str)] = &[
    ("kit.typ", include_str!("../templates/kit.typ")),
    ("prescription.typ", include_str!("../templates/prescription.typ")),
    ("worksheet.typ", include_str!("../templates/worksheet.typ")),
    ("label.typ", include_str!("../templates/label.typ")),
    ("sheet.typ", include_str!("../templates/sheet.typ")),
    ("record.typ", include_str!("../templates/record.typ")),
];

const REGULAR: &[u8] = include_bytes!("../fonts/NotoSansCJKsc-Regular-subset.otf");
const BOLD: &[u8] = include_bytes!("../fonts/NotoSansCJKsc-Bold-subset.otf");

/// Why a page cannot be printed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PrintError {
    /// There is no such template.
    #[error("there is no template `{asked}`; the templates are {known}")]
    NoTemplate {
        /// What was asked for.
        asked: String,
        /// All names.
        known: String,
    },
    /// The template has a mistake.
    #[error("{file}:{line}:{column}: {what}{hints}")]
    Template {
        /// Template.
        file: String,
        /// Line, from 1.
        line: usize,
        /// Column, from 1.
        column: usize,
        /// What is wrong.
        what: String,
        /// What may help.
        hints: String,
    },
    /// The text does not fit, and is not cut off.
    #[error(
        "the text does not fit on this label: it needs {needs} mm of height at the smallest letters, and there are {has} mm; take a larger label, or fewer words"
    )]
    TooSmall {
        /// Millimetres needed.
        needs: String,
        /// Millimetres there.
        has: String,
    },
    /// A character that no font has.
    #[error("no font has the character{plural} {characters}; give a folder with a font that does (--fonts DIR)", plural = if characters.chars().count() > 1 { "s" } else { "" })]
    Glyphs {
        /// The characters.
        characters: String,
    },
    /// Writing the PDF failed.
    #[error("the PDF cannot be made: {0}")]
    Pdf(String),
}

/// A press: fonts and templates, ready to print many pages.
pub struct Press {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
    templates: BTreeMap<String, Source>,
    set: AtomicU64,
}

/// After so many pages what was not used since the last time is forgotten.
const FORGET_EVERY: u64 = 16;

/// Pages that have been set.
pub struct Pages(PagedDocument);

impl Pages {
    /// How many.
    pub fn count(&self) -> usize {
        self.0.pages().len()
    }

    /// Several sets of pages as one. They have no common tree of tags: print them untagged.
    pub fn joined(all: Vec<Pages>) -> Option<Pages> {
        let info = all.first()?.0.info().clone();
        let pages = all.into_iter().flat_map(|p| p.0.pages().to_vec()).collect();
        Some(Pages(PagedDocument::new(pages, info)))
    }
}

struct Job<'a> {
    press: &'a Press,
    main: FileId,
    data: Bytes,
    pictures: Vec<(String, Bytes)>,
}

fn id_of(name: &str) -> FileId {
    let path = VirtualPath::new(name).unwrap_or_else(|_| VirtualPath::new("unnamed").expect("a plain name is a path"));
    RootedPath::new(VirtualRoot::Project, path).intern()
}

impl World for Job<'_> {
    fn library(&self) -> &LazyHash<Library> {
        &self.press.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &self.press.book
    }

    fn main(&self) -> FileId {
        self.main
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        let name = id.get().vpath().get_without_slash().to_string();
        self.press.templates.get(&name).cloned().ok_or_else(|| FileError::NotFound(name.into()))
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        let name = id.get().vpath().get_without_slash().to_string();
        if name == "data.json" {
            return Ok(self.data.clone());
        }
        if let Some((_, bytes)) = self.pictures.iter().find(|(known, _)| *known == name) {
            return Ok(bytes.clone());
        }
        self.source(id).map(|s| Bytes::from_string(s.text().to_string()))
    }

    fn font(&self, index: usize) -> Option<Font> {
        self.press.fonts.get(index).cloned()
    }

    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        // A page says the day it is told, never the clock's.
        None
    }
}

impl Default for Press {
    fn default() -> Press {
        Press::new(&[], Vec::new())
    }
}

impl Press {
    /// A press with the shipped templates, over which a clinic's own stand (name and text), and further fonts.
    pub fn new(own: &[(String, String)], fonts: Vec<Vec<u8>>) -> Press {
        static SHIPPED: OnceLock<Vec<Font>> = OnceLock::new();
        let shipped =
            SHIPPED.get_or_init(|| [REGULAR, BOLD].into_iter().flat_map(|f| Font::iter(Bytes::new(f))).collect());
        let mut all = shipped.clone();
        all.extend(fonts.into_iter().flat_map(|f| Font::iter(Bytes::new(f))));
        let mut templates = BTreeMap::new();
        let shipped = TEMPLATES.iter().map(|(n, t)| ((*n).to_string(), (*t).to_string()));
        for (name, text) in shipped.chain(own.iter().cloned()) {
            let source = Source::new(id_of(&name), text);
            templates.insert(name, source);
        }
        Press {
            library: LazyHash::new(Library::default()),
            book: LazyHash::new(FontBook::from_fonts(&all)),
            fonts: all,
            templates,
            set: AtomicU64::new(0),
        }
    }

    /// Names of all templates.
    pub fn templates(&self) -> impl Iterator<Item = &str> {
        self.templates.keys().map(String::as_str)
    }

    fn error(&self, job: &Job<'_>, errors: &[SourceDiagnostic]) -> PrintError {
        let Some(first) = errors.iter().find(|e| e.severity == Severity::Error).or(errors.first()) else {
            return PrintError::Pdf("unknown failure".into());
        };
        // The kit says so when a text does not fit.
        if let Some(rest) = first.message.split("fangwright-too-small:").nth(1) {
            let mut numbers = rest.trim_end_matches(['"', ' ']).split(':');
            let mut next = || numbers.next().unwrap_or("?").to_string();
            return PrintError::TooSmall { needs: next(), has: next() };
        }
        let (mut file, mut line, mut column) = (String::from("template"), 1, 1);
        if let Some(id) = first.span.id()
            && let Ok(source) = job.source(id)
            && let Some(range) = job.range(first.span)
        {
            file = id.get().vpath().get_without_slash().to_string();
            line = source.lines().byte_to_line(range.start).unwrap_or(0) + 1;
            column = source.lines().byte_to_column(range.start).unwrap_or(0) + 1;
        }
        let hints: String = first.hints.iter().map(|h| format!("; {}", h.v)).collect();
        PrintError::Template { file, line, column, what: first.message.to_string(), hints }
    }

    /// Sets the pages of a template with data.
    ///
    /// # Errors
    /// A mistake in the template, a text that does not fit, or a character that no font has.
    pub fn set(&self, template: &str, data: &Value) -> Result<Pages, PrintError> {
        self.set_with(template, data, Vec::new())
    }

    /// The same with pictures (PNG, JPEG, GIF, WebP or SVG), by the names that the data has for them.
    ///
    /// # Errors
    /// The same, or a picture that is none.
    pub fn set_with(
        &self,
        template: &str,
        data: &Value,
        pictures: Vec<(String, Vec<u8>)>,
    ) -> Result<Pages, PrintError> {
        if !self.templates.contains_key(template) {
            return Err(PrintError::NoTemplate {
                asked: template.into(),
                known: self.templates().collect::<Vec<_>>().join(", "),
            });
        }
        let pictures = pictures.into_iter().map(|(name, bytes)| (name, Bytes::new(bytes))).collect();
        let job = Job { press: self, main: id_of(template), data: Bytes::from_string(data.to_string()), pictures };
        let warned = typst::compile::<PagedDocument>(&job);
        // What was worked out for earlier pages is forgotten by and by: memory stays flat over many.
        if self.set.fetch_add(1, Ordering::Relaxed).is_multiple_of(FORGET_EVERY) {
            comemo::evict(1);
        }
        let document = warned.output.map_err(|e| self.error(&job, &e))?;
        let mut missing = String::new();
        for page in document.pages() {
            without_glyph(&page.frame, &mut missing);
        }
        if !missing.is_empty() {
            return Err(PrintError::Glyphs { characters: missing });
        }
        Ok(Pages(document))
    }

    /// The PDF of pages: fonts embedded and subset, text selectable, tagged.
    ///
    /// # Errors
    /// If it cannot be made.
    pub fn pdf(&self, pages: &Pages, tagged: bool) -> Result<Vec<u8>, PrintError> {
        let options = PdfOptions {
            ident: Smart::Auto,
            creator: Smart::Custom(Some("Fangwright".into())),
            timestamp: None,
            page_ranges: None,
            standards: PdfStandards::default(),
            tagged,
            pretty: false,
        };
        typst_pdf::pdf(&pages.0, &options).map_err(|e| {
            let text: Vec<String> = e.iter().map(|d| d.message.to_string()).collect();
            PrintError::Pdf(text.join("; "))
        })
    }

    /// Sets and prints in one.
    ///
    /// # Errors
    /// See [`Press::set`] and [`Press::pdf`].
    pub fn print(&self, template: &str, data: &Value) -> Result<Vec<u8>, PrintError> {
        self.pdf(&self.set(template, data)?, true)
    }
}

/// Collects the characters that stand as an empty box.
fn without_glyph(frame: &Frame, missing: &mut String) {
    for (_, item) in frame.items() {
        match item {
            FrameItem::Group(group) => without_glyph(&group.frame, missing),
            FrameItem::Text(text) => {
                for glyph in text.glyphs.iter().filter(|g| g.id == 0) {
                    for c in text.text[glyph.range()].chars().filter(|c| !c.is_whitespace()) {
                        if !missing.contains(c) {
                            missing.push(c);
                        }
                    }
                }
            }
            _ => {}
        }
    }
}
