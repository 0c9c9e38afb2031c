//! Finds the Postgres server programs on this machine and their version.
//!
//! Never reads the environment: the caller hands in the search path.

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use super::{ClusterConfig, Error};

/// Oldest major version accepted.
///
/// Source: the SQL of this program is tested on 15 and newer; raising it drops old systems.
pub(super) const MIN_MAJOR: u16 = 15;

/// Folders of versioned packages: what stands before and after the version number.
const PACKAGED: [(&str, &str, &str); 2] = [
    ("/usr/lib/postgresql", "", "bin"),
    ("/usr", "pgsql-", "bin"),
];

/// A folder that holds `postgres` and `initdb`, and their major version.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Binaries {
    pub(super) dir: PathBuf,
    pub(super) major: u16,
}

impl Binaries {
    pub(super) fn program(&self, name: &str) -> PathBuf {
        self.dir.join(name)
    }
}

/// A data folder that asks for the major version it was made by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct MadeBy {
    pub(super) dir: PathBuf,
    pub(super) version: String,
}

/// Finds the programs: the configured folder alone if there is one, else the first that fits of
/// `pg_config --bindir`, the packaged versions from the newest on, and the search path.
pub(super) fn find(config: &ClusterConfig, made_by: Option<&MadeBy>) -> Result<Binaries, Error> {
    let mut places = Places::default();
    if let Some(dir) = &config.bin_dir {
        places.add(dir.clone());
    } else {
        let path: Vec<PathBuf> = config
            .search_path
            .as_deref()
            .map(|path| std::env::split_paths(path).collect())
            .unwrap_or_default();
        places.add_pg_config(&path);
        for (root, prefix, suffix) in PACKAGED {
            places.add_packaged(Path::new(root), prefix, suffix);
        }
        places.add_path(&path);
    }
    places.choose(made_by)
}

/// Where to look, in order, and the notes for the error text.
#[derive(Debug, Default)]
struct Places {
    dirs: Vec<PathBuf>,
    notes: Vec<String>,
}

impl Places {
    fn add(&mut self, dir: PathBuf) {
        if !self.dirs.contains(&dir) {
            self.dirs.push(dir);
        }
    }

    fn add_pg_config(&mut self, path: &[PathBuf]) {
        let Some(program) = path
            .iter()
            .map(|dir| dir.join("pg_config"))
            .find(|at| at.is_file())
        else {
            return self
                .notes
                .push("`pg_config --bindir` (no pg_config)".to_owned());
        };
        match output(&program, "--bindir") {
            Ok(dir) => self.add(PathBuf::from(dir.trim())),
            Err(why) => self
                .notes
                .push(format!("`{} --bindir` ({why})", program.display())),
        }
    }

    fn add_packaged(&mut self, root: &Path, prefix: &str, suffix: &str) {
        let mut found: Vec<(u16, PathBuf)> = fs::read_dir(root)
            .into_iter()
            .flatten()
            .filter_map(Result::ok)
            .filter_map(|entry| {
                let version = entry
                    .file_name()
                    .to_str()?
                    .strip_prefix(prefix)?
                    .parse()
                    .ok()?;
                Some((version, entry.path().join(suffix)))
            })
            .collect();
        if found.is_empty() {
            let place = format!("{}/{prefix}*/{suffix} (none)", root.display());
            self.notes.push(place);
        }
        found.sort_by_key(|(version, _)| std::cmp::Reverse(*version));
        for (_, dir) in found {
            self.add(dir);
        }
    }

    /// A link such as `/usr/local/bin/postgres` leads to the folder that has the other programs.
    fn add_path(&mut self, path: &[PathBuf]) {
        let mut none = true;
        for program in path
            .iter()
            .map(|dir| dir.join("postgres"))
            .filter(|at| at.is_file())
        {
            none = false;
            let real = fs::canonicalize(&program).unwrap_or(program);
            if let Some(dir) = real.parent() {
                self.add(dir.to_path_buf());
            }
        }
        if none {
            self.notes.push("PATH (no postgres)".to_owned());
        }
    }

    fn choose(mut self, made_by: Option<&MadeBy>) -> Result<Binaries, Error> {
        let mut any_major = false;
        let mut any_new = false;
        for dir in self.dirs {
            match inspect(&dir) {
                Ok(major) if major >= MIN_MAJOR && fits(major, made_by) => {
                    return Ok(Binaries { dir, major });
                }
                Ok(major) => {
                    any_major = true;
                    any_new |= major >= MIN_MAJOR;
                    self.notes
                        .push(format!("{} (version {major})", dir.display()));
                }
                Err(why) => self.notes.push(format!("{} ({why})", dir.display())),
            }
        }
        let looked = self.notes.join(", ");
        Err(match made_by {
            Some(MadeBy { dir, version }) if any_new => Error::WrongMajor {
                dir: dir.clone(),
                made_by: version.clone(),
                looked,
            },
            _ if any_major => Error::BinariesTooOld { looked },
            _ => Error::BinariesMissing { looked },
        })
    }
}

fn fits(major: u16, made_by: Option<&MadeBy>) -> bool {
    made_by.is_none_or(|made_by| made_by.version == major.to_string())
}

/// Reads the major version of the programs in `dir`, or says what is wrong there.
fn inspect(dir: &Path) -> Result<u16, String> {
    for name in ["postgres", "initdb"] {
        if !dir.join(name).is_file() {
            return Err(format!("no {name}"));
        }
    }
    let text = output(&dir.join("postgres"), "--version")?;
    parse_major(&text).ok_or_else(|| format!("version not understood: {}", text.trim()))
}

/// Takes 15 from `postgres (Postgres) 15.18 (Debian ..)`, and 18 from `.. 18beta1`.
fn parse_major(text: &str) -> Option<u16> {
    let version = text.split_whitespace().nth(2)?;
    let end = version
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(version.len());
    version.get(..end)?.parse().ok()
}

fn output(program: &Path, option: impl AsRef<OsStr>) -> Result<String, String> {
    let output = Command::new(program)
        .arg(option)
        .env("LC_ALL", "C")
        .current_dir("/")
        .stdin(Stdio::null())
        .output()
        .map_err(|e| e.to_string())?;
    if !output.status.success() {
        return Err(format!("it ended with {}", output.status));
    }
    Ok(String::from_utf8_lossy(&output.stdout).into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_major_version_is_read_from_releases_and_previews() {
        // The texts are printed by `postgres --version` of the named packages.
        for (text, major) in [
            (
                "postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)\n",
                Some(15),
            ),
            ("postgres (PostgreSQL) 18beta1\n", Some(18)),
            ("postgres (PostgreSQL) 9.6.24\n", Some(9)),
            ("postgres (PostgreSQL) devel\n", None),
            ("", None),
        ] {
            assert_eq!(parse_major(text), major, "{text:?}");
        }
    }

    #[test]
    fn places_without_programs_are_all_named() {
        let mut places = Places::default();
        places.add_pg_config(&[PathBuf::from("/nowhere/bin")]);
        places.add_packaged(Path::new("/nowhere/lib"), "", "bin");
        places.add_path(&[PathBuf::from("/nowhere/bin")]);
        places.add(PathBuf::from("/nowhere/else"));
        let error = places.choose(None).unwrap_err();
        assert!(matches!(error, Error::BinariesMissing { .. }), "{error:?}");
        let text = error.to_string();
        for part in [
            "no pg_config",
            "/nowhere/lib/*/bin (none)",
            "PATH (no postgres)",
            "/nowhere/else (no postgres)",
            "`apt-get install -y postgresql`",
            "DATABASE_URL",
            "database.bin_dir",
        ] {
            assert!(text.contains(part), "{part:?} is missing in: {text}");
        }
    }

    #[test]
    fn packaged_versions_are_tried_from_the_newest_on() {
        let root = std::env::temp_dir().join(format!("restvolt-packaged-{}", std::process::id()));
        for version in ["9", "16", "17", "not-a-version"] {
            fs::create_dir_all(root.join(version)).unwrap();
        }
        let mut places = Places::default();
        places.add_packaged(&root, "", "bin");
        fs::remove_dir_all(&root).unwrap();
        let expected: Vec<PathBuf> = ["17", "16", "9"]
            .iter()
            .map(|version| root.join(version).join("bin"))
            .collect();
        assert_eq!(places.dirs, expected);
    }
}
