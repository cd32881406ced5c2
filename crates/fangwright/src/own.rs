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

/// Loads what ships and the own folder over it.
pub fn load(folder: Option<&Path>) -> Result<Loaded, String> {
    let folder = match folder {
        Some(f) => Some(f.to_path_buf()),
        None => usual_folder(),
    };
    let Some(folder) = folder else {
        return Ok(Loaded { materia: Materia::embedded(), problems: Vec::new() });
    };
    let (mut files, mut unread) = (Vec::new(), Vec::new());
    collect(&folder, &mut files, &mut unread)
        .map_err(|e| format!("the folder {} cannot be read: {e}; name another with --data", folder.display()))?;
    let (materia, mut problems) = Materia::with_own(&files);
    problems.extend(unread);
    Ok(Loaded { materia, problems })
}
