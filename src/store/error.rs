//! What can go wrong with the database, sorted by what the caller must do.

use sqlx::error::DatabaseError;

/// A failed database step.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// No connection in time, or the server is away. Nothing was written; try again later.
    #[error("the database cannot be reached")]
    Away(#[source] sqlx::Error),
    /// The connection broke or the deadline passed: whether a commit happened is not known.
    #[error("the connection to the database was lost; the outcome is not known")]
    Lost(#[source] sqlx::Error),
    /// Another transaction was in the way; nothing was written; try again at once.
    #[error("another transaction was in the way")]
    Contended(#[source] sqlx::Error),
    /// The database refused the content of a row.
    #[error("the database refused a row ({constraint})")]
    Refused {
        /// Constraint that refused it, or the SQLSTATE.
        constraint: String,
        /// What it said.
        #[source]
        source: sqlx::Error,
    },
    /// Schema, rights or statement do not fit: our fault or a wrong database.
    #[error("the database does not fit this program: {0}")]
    Misfit(String),
    /// A stored row breaks an invariant.
    #[error("stored row {row} of {table} is not readable in {column}")]
    Corrupt {
        /// Table.
        table: &'static str,
        /// Column.
        column: &'static str,
        /// Key of the row.
        row: String,
    },
}

impl Error {
    /// A `Corrupt` error, for `map_err`.
    pub fn corrupt(
        table: &'static str,
        column: &'static str,
        row: impl std::fmt::Display + Copy,
    ) -> Self {
        Self::Corrupt {
            table,
            column,
            row: row.to_string(),
        }
    }

    /// Whether the same work may be done again.
    #[must_use]
    pub fn is_transient(&self) -> bool {
        matches!(self, Self::Away(_) | Self::Lost(_) | Self::Contended(_))
    }

    /// Whether a named constraint refused the row.
    #[must_use]
    pub fn is_constraint(&self, name: &str) -> bool {
        matches!(self, Self::Refused { constraint, .. } if constraint == name)
    }
}

impl From<sqlx::Error> for Error {
    fn from(error: sqlx::Error) -> Self {
        let Some(db) = error.as_database_error() else {
            return match error {
                sqlx::Error::PoolTimedOut | sqlx::Error::PoolClosed => Self::Away(error),
                sqlx::Error::ColumnDecode { .. }
                | sqlx::Error::ColumnNotFound(_)
                | sqlx::Error::Decode(_)
                | sqlx::Error::Encode(_)
                | sqlx::Error::TypeNotFound { .. }
                | sqlx::Error::RowNotFound => Self::Misfit(error.to_string()),
                _ => Self::Lost(error),
            };
        };
        let state = db.code().unwrap_or_default().to_string();
        match state.get(..2) {
            _ if matches!(state.as_str(), "40001" | "40P01" | "55P03") => Self::Contended(error),
            Some("22" | "23") => {
                let constraint = db.constraint().map_or(state, ToString::to_string);
                Self::Refused {
                    constraint,
                    source: error,
                }
            }
            Some("42" | "28" | "3D" | "3F") => Self::Misfit(describe(db, &state)),
            Some("53" | "57") => Self::Away(error),
            _ => Self::Lost(error),
        }
    }
}

fn describe(db: &dyn DatabaseError, state: &str) -> String {
    format!("{} (SQLSTATE {state})", db.message())
}
