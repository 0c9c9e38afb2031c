//! Errors for the wire: one exhaustive match each, stable reasons, the fix in the details.

use std::collections::HashMap;
use std::time::Duration;

use tonic::{Code as Grpc, Status};
use tonic_types::{ErrorDetails, StatusExt as _};

use crate::record::words::Scope;
use crate::reject::{Code, Reject};
use crate::{intake, query, store};

/// Domain of every `ErrorInfo`.
pub const DOMAIN: &str = "restvolt";

/// A refused question or record.
#[must_use]
pub fn of_query(error: query::Error) -> Status {
    match error {
        query::Error::NotFound { .. } => details(
            Grpc::NotFound,
            "NOT_FOUND",
            &error.to_string(),
            ErrorDetails::new(),
        ),
        query::Error::Denied { scope, .. } => denied(scope, &error.to_string()),
        query::Error::Bad(reject) => of_reject(&reject),
        query::Error::Store(error) => of_store(&error),
    }
}

/// A batch that was not committed.
#[must_use]
pub fn of_intake(error: &intake::Error) -> Status {
    match error {
        intake::Error::Full(text) => retry(Grpc::ResourceExhausted, "OVERLOADED", text, 5),
        intake::Error::QuarantineFull => {
            retry(Grpc::ResourceExhausted, "OVERLOADED", &error.to_string(), 5)
        }
        intake::Error::Unavailable(error) => of_store(error),
        intake::Error::NoRoom => retry(Grpc::Unavailable, "NO_ROOM", &error.to_string(), 60),
        intake::Error::Stopping => retry(Grpc::Unavailable, "STOPPING", "the service stops", 2),
    }
}

/// A reader of a stream that did not keep up with what it asked for.
#[must_use]
pub fn fell_behind(missed: u64) -> Status {
    let text = format!(
        "this stream fell {missed} changes behind and was ended; subscribe again with its last resume token"
    );
    retry(Grpc::ResourceExhausted, "STREAM_FELL_BEHIND", &text, 1)
}

/// A rejected field.
#[must_use]
pub fn of_reject(reject: &Reject) -> Status {
    let code = match reject.code {
        Code::ExistsWithDifferentContent | Code::SeqConflict => Grpc::AlreadyExists,
        Code::PayloadTooLarge => Grpc::OutOfRange,
        Code::UnknownDevice => Grpc::NotFound,
        Code::ShopMismatch | Code::DeviceDisabled => Grpc::PermissionDenied,
        _ => Grpc::InvalidArgument,
    };
    let mut found = ErrorDetails::new();
    found.add_bad_request_violation(reject.field.clone(), reject.detail.clone());
    let text = format!("{}: {}; {}", reject.field, reject.detail, reject.code.fix());
    details(code, reject.code.as_str(), &text, found)
}

/// A failed database step. What it says inside stays inside; the log has it.
#[must_use]
pub fn of_store(error: &store::Error) -> Status {
    match error {
        store::Error::Contended(_) => {
            tracing::warn!(
                error = crate::telemetry::chain(error),
                "a request waited for another one too long"
            );
            let text = "another request was in the way; nothing was acknowledged, send it again";
            retry(Grpc::Unavailable, "BUSY", text, 1)
        }
        store::Error::Away(_) | store::Error::Lost(_) => {
            tracing::warn!(
                error = crate::telemetry::chain(error),
                "the database did not answer"
            );
            let text = "the database is away; nothing was acknowledged, send it again";
            retry(Grpc::Unavailable, "DATABASE_AWAY", text, 2)
        }
        store::Error::Refused { .. } | store::Error::Misfit(_) | store::Error::Corrupt { .. } => {
            tracing::error!(error = crate::telemetry::chain(error), "a request failed");
            let text = "the service could not do this; the operator's log says why";
            details(Grpc::Internal, "INTERNAL", text, ErrorDetails::new())
        }
    }
}

/// No credential, or one that is not known, revoked or past its end.
#[must_use]
pub fn unauthenticated() -> Status {
    let text = "a bearer token is needed: metadata `authorization: Bearer rvt_...`; \
                the operator makes one with `restvolt token create`";
    details(
        Grpc::Unauthenticated,
        "UNAUTHENTICATED",
        text,
        ErrorDetails::new(),
    )
}

fn denied(scope: Scope, text: &str) -> Status {
    let mut found = ErrorDetails::new();
    let metadata = HashMap::from([("scope".to_owned(), scope.to_string())]);
    found.set_error_info("PERMISSION_DENIED", DOMAIN, metadata);
    Status::with_error_details(Grpc::PermissionDenied, text, found)
}

fn retry(code: Grpc, reason: &str, text: &str, seconds: u64) -> Status {
    let mut found = ErrorDetails::new();
    found.set_retry_info(Some(Duration::from_secs(seconds)));
    details(code, reason, text, found)
}

fn details(code: Grpc, reason: &str, text: &str, mut found: ErrorDetails) -> Status {
    found.set_error_info(reason, DOMAIN, HashMap::new());
    Status::with_error_details(code, text, found)
}
