//! The book of stock as a file: one line of JSON an entry, only ever added to.

use std::fs::{File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use fangwright_dispense::{Entry, Log, LogError};

/// A file of entries. Who writes holds its lock, so that two who act at once take turns; an entry is on the disk before
/// [`Log::append`] returns.
pub struct FileLog {
    path: PathBuf,
    file: File,
    /// Bytes read so far, and the number of the last entry in them.
    read: u64,
    last: u64,
}

fn store(path: &Path, what: &str, error: &std::io::Error) -> LogError {
    let read_only =
        matches!(error.kind(), std::io::ErrorKind::PermissionDenied | std::io::ErrorKind::ReadOnlyFilesystem);
    let hint = if read_only { "; the file or disk is read-only" } else { "" };
    LogError::Store(format!("{} cannot be {what}: {error}{hint}", path.display()))
}

impl FileLog {
    /// Opens the book, and makes an empty one where there is none.
    pub fn open(path: &Path) -> Result<FileLog, LogError> {
        let writable = OpenOptions::new().read(true).append(true).create(true).open(path);
        // A book that can only be read can still be looked into.
        let file = writable
            .or_else(|e| if path.exists() { File::open(path) } else { Err(e) })
            .map_err(|e| store(path, "opened", &e))?;
        Ok(FileLog { path: path.into(), file, read: 0, last: 0 })
    }

    /// Reads whole lines behind what was read. A last line without an end is one that somebody is writing, or one that was cut off
    /// by a crash; it was never acknowledged.
    fn fresh(&mut self) -> Result<(Vec<Entry>, u64), LogError> {
        let path = self.path.clone();
        self.file.seek(SeekFrom::Start(self.read)).map_err(|e| store(&path, "read", &e))?;
        let mut bytes = Vec::new();
        self.file.read_to_end(&mut bytes).map_err(|e| store(&path, "read", &e))?;
        let whole = bytes.iter().rposition(|b| *b == b'\n').map_or(0, |i| i + 1);
        let mut entries = Vec::new();
        for line in bytes[..whole].split(|b| *b == b'\n').filter(|l| !l.is_empty()) {
            let entry: Entry = serde_json::from_slice(line).map_err(|e| {
                let after = self.last + entries.len() as u64;
                LogError::Store(format!("{}: the line after entry {after} is damaged: {e}", path.display()))
            })?;
            entries.push(entry);
        }
        Ok((entries, self.read + whole as u64))
    }
}

impl Log for FileLog {
    fn read(&mut self, from: u64) -> Result<Vec<Entry>, LogError> {
        if from <= self.last {
            (self.read, self.last) = (0, 0);
        }
        let (entries, read) = self.fresh()?;
        self.read = read;
        self.last = entries.last().map_or(self.last, |e| e.number);
        Ok(entries.into_iter().filter(|e| e.number >= from).collect())
    }

    fn append(&mut self, entry: &Entry) -> Result<(), LogError> {
        let path = self.path.clone();
        self.file.lock().map_err(|e| store(&path, "locked", &e))?;
        let done = (|| {
            let (fresh, read) = self.fresh()?;
            if fresh.last().map_or(self.last, |e| e.number) + 1 != entry.number {
                return Err(LogError::Taken(entry.number));
            }
            let mut line = serde_json::to_vec(entry).map_err(|e| LogError::Store(e.to_string()))?;
            line.push(b'\n');
            let length = self.file.metadata().map_err(|e| store(&path, "read", &e))?.len();
            if length > read {
                // What a crash left of a line is taken away.
                self.file.set_len(read).map_err(|e| store(&path, "mended", &e))?;
            }
            let written = self.file.write_all(&line).and_then(|()| self.file.sync_data());
            if let Err(e) = written {
                // A full disk may have taken half a line.
                let _ = self.file.set_len(read);
                return Err(store(&path, "written", &e));
            }
            self.read = read + line.len() as u64;
            self.last = entry.number;
            Ok(())
        })();
        self.file.unlock().map_err(|e| store(&path, "unlocked", &e))?;
        done
    }
}
