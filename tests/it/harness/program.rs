//! The real program's commands on a database of their own, with files of its own.

use std::path::PathBuf;
use std::process::{Command, Output};

use super::{database, fresh_number};

/// Database and folder; the folder goes with it.
pub(crate) struct Program {
    pub(crate) url: String,
    folder: PathBuf,
}

impl Program {
    pub(crate) fn new() -> Self {
        let name = format!("restvolt-it-program-{:032x}", fresh_number());
        let folder = std::env::temp_dir().join(name);
        std::fs::create_dir(&folder).unwrap();
        Self {
            url: database::fresh(),
            folder,
        }
    }

    /// Writes a file and returns its path.
    pub(crate) fn write(&self, name: &str, text: &str) -> String {
        let path = self.folder.join(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    }

    /// Runs a command for a group.
    pub(crate) fn output(&self, group: &str, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_restvolt"))
            .args(["--group", group])
            .args(arguments)
            .env("DATABASE_URL", &self.url)
            .env("RESTVOLT_DATABASE__DURABLE", "false")
            .output()
            .unwrap()
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}
