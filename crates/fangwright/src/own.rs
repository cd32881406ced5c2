//! The practitioner's own folder of records.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use etcetera::BaseStrategy;
use fangwright_materia::Materia;
use fangwright_materia::records::{DataFile, Problem};

/// All data, with what is wrong in the own folder.
pub struct Loaded {
    pub materia: Materia,
    pub problems: Vec<Problem>,
}

fn usual_folder() -> Option<PathBuf> {
    let folder = etcetera::choose_base_strategy().ok()?.data_dir().join("fangwright");
    folder.is_dir().then_some(folder)
}

fn collect(folder: &Path, files: &mut Vec<DataFile>, problems: &mut Vec<Problem>) -> io::Result<()> {
    let mut entries: Vec<PathBuf> = fs::read_dir(folder)?.filter_map(|e| Some(e.ok()?.path())).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            collect(&path, files, problems)?;
        } else if path.extension().is_some_and(|e| e == "toml") {
            let name = path.display().to_string();
            match fs::read_to_string(&path) {
                Ok(text) => files.push(DataFile { name, text, own: true }),
                Err(error) => problems.push(Problem {
                    file: name,
                    line: 1,
                    column: 1,
                    what: format!("the file cannot be read: {error}"),
                    mend: "save it as UTF-8 text, or take it out of the folder".into(),
                }),
            }
        }
    }
    Ok(())
}

/// Whether a file holds safety rules or what they speak of. A mistake in one stops the start: a clinic that relies on
/// its rule must not work without it unawares.
fn is_safety(file: &DataFile) -> bool {
    let below = Path::new(&file.name).components().any(|c| c.as_os_str() == "safety");
    let tables = ["[[rule]]", "[conditions", "[classes", "[medicines", "[jurisdictions"];
    below || file.text.lines().any(|l| tables.iter().any(|t| l.trim_start().starts_with(t)))
}

/// Loads what ships, and the own folder and files of rules over it.
pub fn load(folder: Option<&Path>, rules: &[PathBuf]) -> Result<Loaded, String> {
    let folder = match folder {
        Some(f) => Some(f.to_path_buf()),
        None => usual_folder(),
    };
    let (mut files, mut unread) = (Vec::new(), Vec::new());
    if let Some(folder) = folder {
        collect(&folder, &mut files, &mut unread)
            .map_err(|e| format!("the folder {} cannot be read: {e}; name another with --data", folder.display()))?;
    }
    let mut safety: Vec<String> = Vec::new();
    for path in rules {
        let name = path.display().to_string();
        let text = fs::read_to_string(path).map_err(|e| format!("the rules in {name} cannot be read: {e}"))?;
        safety.push(name.clone());
        files.push(DataFile { name, text, own: true });
    }
    if files.is_empty() && unread.is_empty() {
        return Ok(Loaded { materia: Materia::embedded(), problems: Vec::new() });
    }
    safety.extend(files.iter().filter(|f| is_safety(f)).map(|f| f.name.clone()));
    let (materia, mut problems) = Materia::with_own(&files);
    problems.extend(unread);
    let broken: Vec<String> =
        problems.iter().filter(|p| safety.contains(&p.file)).map(|p| format!("\n  {p}")).collect();
    if !broken.is_empty() {
        return Err(format!("your safety rules have mistakes, so nothing was started:{}", broken.concat()));
    }
    Ok(Loaded { materia, problems })
}
