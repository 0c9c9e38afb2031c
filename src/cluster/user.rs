//! The user as whom the database runs, and what that user may reach.
//!
//! Postgres refuses to run as root; a service that runs as root hands it to another user.

use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;

use nix::unistd::{User, getegid, geteuid};

use super::Error;
use super::folder::Paths;

/// Users to run the database as when the service runs as root, best first.
const USERS: [&str; 2] = ["postgres", "nobody"];

/// The user as whom the database runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct RunAs {
    pub(super) uid: u32,
    pub(super) gid: u32,
    pub(super) name: String,
    /// This process is root and the child must become that user.
    pub(super) drops: bool,
}

impl RunAs {
    /// As root the owner of an existing database, else the first of [`USERS`]; otherwise oneself.
    pub(super) fn choose(paths: &Paths, exists: bool) -> Result<Self, Error> {
        let me = geteuid();
        let owner = if exists {
            let facts = fs::metadata(&paths.data).map_err(Error::io("look at", &paths.data))?;
            Some((facts.uid(), facts.gid()))
        } else {
            None
        };
        match owner {
            Some((uid, _)) if uid == 0 || (!me.is_root() && uid != me.as_raw()) => {
                Err(Error::WrongOwner {
                    path: paths.data.clone(),
                    owner: name(uid),
                })
            }
            Some((uid, gid)) if me.is_root() => Ok(Self {
                uid,
                gid,
                name: name(uid),
                drops: true,
            }),
            None if me.is_root() => Self::first_of(&USERS),
            _ => Ok(Self {
                uid: me.as_raw(),
                gid: getegid().as_raw(),
                name: name(me.as_raw()),
                drops: false,
            }),
        }
    }

    fn first_of(names: &[&str]) -> Result<Self, Error> {
        let user = names
            .iter()
            .find_map(|name| User::from_name(name).ok().flatten());
        user.filter(|user| !user.uid.is_root())
            .map_or(Err(Error::NoUser), |user| {
                Ok(Self {
                    uid: user.uid.as_raw(),
                    gid: user.gid.as_raw(),
                    name: user.name,
                    drops: true,
                })
            })
    }

    /// Checks that this user may pass through every folder above `dir`.
    ///
    /// Asked as root only: otherwise the system itself answers at the first step.
    pub(super) fn must_reach(&self, dir: &Path) -> Result<(), Error> {
        for parent in dir.ancestors().skip(1).filter(|_| self.drops) {
            let facts = fs::metadata(parent).map_err(Error::io("look at", parent))?;
            if !self.may_pass(facts.mode(), facts.uid(), facts.gid()) {
                return Err(Error::Unreachable {
                    dir: dir.to_path_buf(),
                    parent: parent.to_path_buf(),
                    user: self.name.clone(),
                });
            }
        }
        Ok(())
    }

    /// The kernel looks at one class only: owner, else group, else the rest.
    fn may_pass(&self, mode: u32, uid: u32, gid: u32) -> bool {
        let bit = if uid == self.uid {
            0o100
        } else if gid == self.gid {
            0o010
        } else {
            0o001
        };
        mode & bit != 0
    }
}

/// Name of a user, or its number where it has none.
pub(super) fn name(uid: u32) -> String {
    User::from_uid(uid.into())
        .ok()
        .flatten()
        .map_or_else(|| uid.to_string(), |user| user.name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_permission_class_alone_decides_who_may_pass() {
        // path_resolution(7): owner, else group, else others; a closed class is not made up for.
        let user = RunAs {
            uid: 101,
            gid: 104,
            name: "postgres".to_owned(),
            drops: true,
        };
        for (mode, uid, gid, passes) in [
            (0o755, 0, 0, true),
            (0o700, 0, 0, false),
            (0o700, 101, 104, true),
            (0o710, 0, 104, true),
            (0o701, 0, 104, false),
            (0o071, 101, 104, false),
            (0o754, 0, 0, false),
        ] {
            assert_eq!(
                user.may_pass(mode, uid, gid),
                passes,
                "{mode:o} {uid}:{gid}"
            );
        }
    }

    #[test]
    fn root_without_another_user_is_told_so() {
        let error = RunAs::first_of(&["no-such-user", "root"]).unwrap_err();
        assert!(matches!(error, Error::NoUser), "{error:?}");
    }
}
