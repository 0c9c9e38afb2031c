//! The journal's file: frames of `alarm::journal`, appended and synced; written anew when it grows.

use std::collections::BTreeSet;
use std::fs::{File, OpenOptions};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use crate::alarm::journal::{Policy, Record, Recovered, Room, compact, recover};

/// A journal. Opened when it is first written to.
#[derive(Debug)]
pub(super) struct Journal {
    path: PathBuf,
    file: Option<File>,
    bytes: u64,
    policy: Policy,
}

impl Journal {
    pub(super) fn at(path: PathBuf) -> Self {
        let bytes = std::fs::metadata(&path).map_or(0, |found| found.len());
        Self {
            path,
            file: None,
            bytes,
            policy: Policy::default(),
        }
    }

    /// Whether something is kept in it.
    pub(super) fn is_empty(&self) -> bool {
        self.bytes == 0
    }

    /// Everything that is whole.
    pub(super) fn read(&self) -> io::Result<Recovered> {
        match std::fs::read(&self.path) {
            Ok(bytes) => Ok(recover(&bytes)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Recovered::default()),
            Err(error) => Err(error),
        }
    }

    /// Adds records and syncs them to disk.
    pub(super) fn append(&mut self, records: &[Record]) -> io::Result<()> {
        let mut frames = Vec::with_capacity(128 * records.len());
        for record in records {
            record.encode(&mut frames);
        }
        let length = frames.len() as u64;
        if self.policy.room(self.bytes, length) != Room::Append {
            return self.rewrite(records);
        }
        if self.file.is_none() {
            if let Some(folder) = self.path.parent() {
                std::fs::create_dir_all(folder)?;
            }
            // What a crash left half written is cut off first, or the next frame would follow it.
            let valid = self.read()?.valid_bytes as u64;
            let mut options = OpenOptions::new();
            std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
            let file = options.create(true).append(true).open(&self.path)?;
            file.set_len(valid)?;
            sync_folder(&self.path)?;
            self.bytes = valid;
            self.file = Some(file);
        }
        let Some(file) = &mut self.file else {
            return Ok(());
        };
        file.write_all(&frames)?;
        file.sync_data()?;
        self.bytes += length;
        Ok(())
    }

    /// The same alarms in fewer records.
    fn rewrite(&mut self, more: &[Record]) -> io::Result<()> {
        let mut records = self.read()?.records;
        records.extend_from_slice(more);
        let mut frames = Vec::new();
        for record in compact(&records, &BTreeSet::new()) {
            record.encode(&mut frames);
        }
        if frames.len() as u64 > self.policy.bytes_max {
            return Err(io::Error::other("the alarm journal is full"));
        }
        let beside = self.path.with_extension("new");
        let mut file = File::create(&beside)?;
        file.write_all(&frames)?;
        file.sync_all()?;
        std::fs::rename(&beside, &self.path)?;
        sync_folder(&self.path)?;
        self.file = None;
        self.bytes = frames.len() as u64;
        Ok(())
    }

    /// Empties it: everything is in the database.
    pub(super) fn clear(&mut self) -> io::Result<()> {
        self.file = None;
        let file = OpenOptions::new().write(true).open(&self.path)?;
        file.set_len(0)?;
        file.sync_all()?;
        self.bytes = 0;
        Ok(())
    }
}

fn sync_folder(path: &Path) -> io::Result<()> {
    match path.parent() {
        Some(folder) => File::open(folder)?.sync_all(),
        None => Ok(()),
    }
}
