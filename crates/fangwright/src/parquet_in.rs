//! Prescriptions from a Parquet file, a lot of rows at a time.
//!
//! Columns, by name: `id`; the lines as `items` (list of struct `name`, `grams`) or as two lists `names` and `grams`,
//! or a text `prescription`; `form`; `days`; `granule_ratio`; `pregnant`; and `patient`, the JSON of a patient. All but
//! the lines may be absent.

use std::borrow::Cow;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};

use fangwright_amount::Rational;
use fangwright_materia::Materia;
use fangwright_safety::{Case, Exact, Head, Names, Patient};
use parquet::basic::{ConvertedType, Repetition};
use parquet::column::reader::ColumnReader;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::schema::types::{ColumnDescPtr, Type};

use crate::batch::form;

/// Whether the file begins as Parquet does.
pub fn is_parquet(file: &mut File) -> std::io::Result<bool> {
    let mut head = [0; 4];
    let n = file.read(&mut head)?;
    file.seek(SeekFrom::Start(0))?;
    Ok(n == 4 && &head == b"PAR1")
}

/// Which column holds what.
#[derive(Clone, Copy, Default)]
struct Columns {
    id: Option<usize>,
    names: Option<usize>,
    grams: Option<usize>,
    prescription: Option<usize>,
    form: Option<usize>,
    days: Option<usize>,
    ratio: Option<usize>,
    pregnant: Option<usize>,
    patient: Option<usize>,
}

/// The values of a column, as the file has them.
enum Values {
    Text(Vec<ByteArray>),
    Double(Vec<f64>),
    Float(Vec<f32>),
    /// With the digits after the point.
    Whole(Vec<i64>, u32),
    Yes(Vec<bool>),
}

/// No value.
const NONE: u32 = u32::MAX;

/// One column of a lot.
struct Cells {
    values: Values,
    /// For each cell the number of its value.
    at: Vec<u32>,
    /// For each row where its cells end.
    ends: Vec<u32>,
}

impl Cells {
    fn of(&self, row: usize) -> &[u32] {
        let start = row.checked_sub(1).map_or(0, |r| self.ends[r] as usize);
        &self.at[start..self.ends[row] as usize]
    }

    fn text(&self, at: u32) -> Result<Option<&str>, String> {
        match &self.values {
            _ if at == NONE => Ok(None),
            Values::Text(all) => {
                std::str::from_utf8(all[at as usize].data()).map(Some).map_err(|_| "a text is not UTF-8".into())
            }
            _ => Err("a number or yes/no stands where a text is wanted".into()),
        }
    }

    fn number(&self, at: u32) -> Result<Option<Exact>, String> {
        let digits = || "a number has too many digits; at most 15 can be held exactly".to_string();
        let i = at as usize;
        match &self.values {
            _ if at == NONE => Ok(None),
            Values::Double(all) => Exact::of_double(all[i]).map(Some).ok_or_else(digits),
            Values::Float(all) => format!("{}", all[i]).parse().map(|n| Some(Exact(n))).map_err(|_| digits()),
            Values::Whole(all, scale) => {
                let number = Rational::new(i128::from(all[i]), 10i128.pow((*scale).min(18)));
                number.map(|n| Some(Exact(n))).ok_or_else(digits)
            }
            Values::Text(_) => {
                let text = self.text(at)?.unwrap_or_default();
                text.parse().map(|n| Some(Exact(n))).map_err(|e: fangwright_amount::NumberError| e.to_string())
            }
            Values::Yes(_) => Err("yes/no stands where a number is wanted".into()),
        }
    }
}

/// The first cell of a row in a column that may be absent.
fn first<'c, T>(
    column: &'c Option<Cells>,
    row: usize,
    get: impl Fn(&'c Cells, u32) -> Result<Option<T>, String>,
) -> Result<Option<T>, String> {
    match column {
        None => Ok(None),
        Some(cells) => cells.of(row).first().map_or(Ok(None), |at| get(cells, *at)),
    }
}

/// Rows of a lot.
pub struct Rows {
    /// Number of the first row in the file, from 0.
    pub first: u64,
    len: usize,
    id: Option<Cells>,
    names: Option<Cells>,
    grams: Option<Cells>,
    prescription: Option<Cells>,
    form: Option<Cells>,
    days: Option<Cells>,
    ratio: Option<Cells>,
    pregnant: Option<Cells>,
    patient: Option<Cells>,
}

impl Rows {
    pub fn len(&self) -> usize {
        self.len
    }

    /// Puts the lines of a row into `case`, and gives the rest.
    pub fn fill(&self, m: &Materia, row: usize, met: &mut Names, case: &mut Case) -> Result<Head<'_>, String> {
        let mut patient: Option<Patient> = match first(&self.patient, row, Cells::text)? {
            None => None,
            Some(text) => Some(serde_json::from_str(text).map_err(|e| format!("patient: {e}"))?),
        };
        match &self.pregnant {
            None => {}
            Some(Cells { values: Values::Yes(all), at, .. }) => {
                if let Some(yes) = at.get(row).and_then(|at| all.get(*at as usize)) {
                    patient.get_or_insert_default().pregnant = Some(*yes);
                }
            }
            Some(_) => return Err("`pregnant` is not a column of yes/no".into()),
        }
        let days = match first(&self.days, row, Cells::number)? {
            None => None,
            Some(Exact(n)) => {
                let whole = u32::try_from(n.floor()).ok().filter(|_| n.is_whole());
                Some(whole.ok_or_else(|| format!("`{n}` is no number of days"))?)
            }
        };
        let head = Head {
            id: first(&self.id, row, Cells::text)?.map(Cow::Borrowed),
            prescription: first(&self.prescription, row, Cells::text)?.map(Cow::Borrowed),
            form: form(first(&self.form, row, Cells::text)?.unwrap_or_default())?,
            granule_ratio: first(&self.ratio, row, Cells::number)?,
            days,
            patient,
        };
        let empty = &[][..];
        let names = self.names.as_ref().map_or(empty, |c| c.of(row));
        met.begin(&head, !names.is_empty(), case).map_err(|e| e.to_string())?;
        let Some(cells) = &self.names else { return Ok(head) };
        let grams = self.grams.as_ref().map(|c| (c, c.of(row)));
        if let Some((_, grams)) = grams
            && names.len() != grams.len()
        {
            return Err(format!("{} names and {} weights; there must be as many", names.len(), grams.len()));
        }
        for (line, at) in (0..).zip(names) {
            let name = cells.text(*at)?.ok_or("a name is missing")?;
            let weight = grams.map_or(Ok(None), |(cells, all)| cells.number(all[line as usize]))?;
            met.add(m, name, weight, &[], line, case).map_err(|e| e.to_string())?;
        }
        Ok(head)
    }
}

/// A column that is being read.
struct Open {
    reader: ColumnReader,
    /// Definition level at which an element of the list is there; 0 for a column that is no list.
    element: i16,
    most: i16,
    scale: Option<u32>,
}

/// The file, with the row group that is being read.
pub struct Table {
    file: SerializedFileReader<File>,
    columns: Columns,
    group: usize,
    open: Vec<(usize, Open)>,
    left: usize,
    first: u64,
    rows: u64,
}

/// Definition level of the repeated node on the way to a column.
fn element_level(root: &Type, path: &[String]) -> i16 {
    let mut level = 0;
    let mut node = root;
    for part in path {
        let Some(child) = node.is_group().then(|| node.get_fields().iter().find(|f| f.name() == part)).flatten() else {
            return 0;
        };
        let info = child.get_basic_info();
        let repetition = if info.has_repetition() { info.repetition() } else { Repetition::REQUIRED };
        if repetition != Repetition::REQUIRED {
            level += 1;
        }
        if repetition == Repetition::REPEATED {
            return level;
        }
        node = child;
    }
    0
}

impl Table {
    pub fn open(file: File) -> Result<Table, String> {
        let file = SerializedFileReader::new(file).map_err(|e| format!("the file is no whole Parquet file: {e}"))?;
        let schema = file.metadata().file_metadata().schema_descr();
        let mut columns = Columns::default();
        let mut seen = Vec::new();
        for (i, column) in schema.columns().iter().enumerate() {
            let path = column.path().parts();
            let (first, last) = (path[0].as_str(), path[path.len() - 1].as_str());
            seen.push(first.to_string());
            match (first, last) {
                ("items", "name") | ("names", _) => columns.names = Some(i),
                ("items", "grams") | ("grams", _) => columns.grams = Some(i),
                ("id", _) => columns.id = Some(i),
                ("prescription", _) => columns.prescription = Some(i),
                ("form", _) => columns.form = Some(i),
                ("days", _) => columns.days = Some(i),
                ("granule_ratio", _) => columns.ratio = Some(i),
                ("pregnant", _) => columns.pregnant = Some(i),
                ("patient", _) => columns.patient = Some(i),
                _ => {}
            }
        }
        if columns.names.is_none() && columns.prescription.is_none() {
            seen.dedup();
            return Err(format!(
                "there is no column `items`, `names` or `prescription`; the columns are {}",
                seen.join(", ")
            ));
        }
        let rows = u64::try_from(file.metadata().file_metadata().num_rows()).unwrap_or_default();
        Ok(Table { file, columns, group: 0, open: Vec::new(), left: 0, first: 0, rows })
    }

    pub fn rows(&self) -> u64 {
        self.rows
    }

    fn open_group(&mut self) -> Result<bool, ParquetError> {
        while self.left == 0 {
            if self.group >= self.file.num_row_groups() {
                return Ok(false);
            }
            let group = self.file.get_row_group(self.group)?;
            self.group += 1;
            self.left = usize::try_from(group.metadata().num_rows()).unwrap_or_default();
            let schema = self.file.metadata().file_metadata().schema_descr();
            let c = self.columns;
            let wanted = [c.id, c.names, c.grams, c.prescription, c.form, c.days, c.ratio, c.pregnant, c.patient];
            self.open.clear();
            for i in wanted.into_iter().flatten() {
                let column: ColumnDescPtr = schema.column(i);
                let scale = (column.converted_type() == ConvertedType::DECIMAL)
                    .then(|| u32::try_from(column.type_scale()).unwrap_or_default());
                self.open.push((
                    i,
                    Open {
                        reader: group.get_column_reader(i)?,
                        element: element_level(schema.root_schema(), column.path().parts()),
                        most: column.max_def_level(),
                        scale,
                    },
                ));
            }
        }
        Ok(true)
    }

    /// At most `wanted` of the rows that follow; none at the end.
    pub fn next(&mut self, wanted: usize) -> Result<Option<Rows>, String> {
        if !self.open_group().map_err(|e| format!("row group {}: {e}", self.group))? {
            return Ok(None);
        }
        let n = wanted.min(self.left);
        let group = self.group;
        let mut take = |column: Option<usize>| -> Result<Option<Cells>, String> {
            let Some(column) = column else { return Ok(None) };
            let open = self.open.iter_mut().find(|(i, _)| *i == column);
            let Some((_, open)) = open else { return Ok(None) };
            let cells = open.read(n).map_err(|e| format!("row group {group}: {e}"))?;
            if cells.ends.len() != n {
                return Err(format!("row group {group} has fewer rows than it says"));
            }
            Ok(Some(cells))
        };
        let c = self.columns;
        let rows = Rows {
            first: self.first,
            len: n,
            id: take(c.id)?,
            names: take(c.names)?,
            grams: take(c.grams)?,
            prescription: take(c.prescription)?,
            form: take(c.form)?,
            days: take(c.days)?,
            ratio: take(c.ratio)?,
            pregnant: take(c.pregnant)?,
            patient: take(c.patient)?,
        };
        self.first += n as u64;
        self.left -= n;
        Ok(Some(rows))
    }
}

impl Open {
    fn read(&mut self, records: usize) -> Result<Cells, ParquetError> {
        let scale = self.scale.unwrap_or_default();
        let (element, most) = (self.element, self.most);
        macro_rules! read {
            ($reader:expr, $values:expr) => {{
                let (mut defs, mut reps, mut values) = (Vec::new(), Vec::new(), Vec::new());
                let mut done = 0;
                while done < records {
                    let (read, _, _) =
                        $reader.read_records(records - done, Some(&mut defs), Some(&mut reps), &mut values)?;
                    if read == 0 {
                        break;
                    }
                    done += read;
                }
                let (at, ends) = places(&defs, &reps, values.len(), element, most);
                Cells { values: $values(values), at, ends }
            }};
        }
        Ok(match &mut self.reader {
            ColumnReader::ByteArrayColumnReader(r) => read!(r, Values::Text),
            ColumnReader::DoubleColumnReader(r) => read!(r, Values::Double),
            ColumnReader::FloatColumnReader(r) => read!(r, Values::Float),
            ColumnReader::Int32ColumnReader(r) => {
                read!(r, |all: Vec<i32>| Values::Whole(all.into_iter().map(i64::from).collect(), scale))
            }
            ColumnReader::Int64ColumnReader(r) => read!(r, |all| Values::Whole(all, scale)),
            ColumnReader::BoolColumnReader(r) => read!(r, Values::Yes),
            _ => {
                return Err(ParquetError::General(
                    "a column is of a type that is not read here; use text, double, float, integer or decimal".into(),
                ));
            }
        })
    }
}

/// Which value stands in which cell, and where each row ends, by the levels.
fn places(defs: &[i16], reps: &[i16], values: usize, element: i16, most: i16) -> (Vec<u32>, Vec<u32>) {
    // A column that is required throughout has no levels: one value a row.
    if most == 0 {
        return ((0..values as u32).collect(), (1..=values as u32).collect());
    }
    let mut at = Vec::with_capacity(defs.len());
    let mut ends = Vec::with_capacity(defs.len());
    let mut next = 0;
    for (i, def) in defs.iter().enumerate() {
        if i > 0 && reps.get(i).copied().unwrap_or(0) == 0 {
            ends.push(at.len() as u32);
        }
        if *def == most {
            at.push(next);
            next += 1;
        } else if *def >= element {
            at.push(NONE);
        }
    }
    if !defs.is_empty() {
        ends.push(at.len() as u32);
    }
    (at, ends)
}
