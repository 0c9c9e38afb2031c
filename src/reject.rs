//! Why an item was not accepted: one closed list for receipts, gRPC reasons, quarantine and metrics.
//!
//! Codes are listed in the order of precedence in which they are checked.

use crate::record::words::vocabulary;

vocabulary! {
    /// Stable reason codes. The text form is the wire form and never changes its meaning.
    Code {
        /// The bytes are no message we know.
        MalformedPayload = "MALFORMED_PAYLOAD",
        /// The encoding is none of ours.
        UnsupportedContentType = "UNSUPPORTED_CONTENT_TYPE",
        /// The topic and the content type of one message name different encodings.
        ContentTypeMismatch = "CONTENT_TYPE_MISMATCH",
        /// More bytes than the stated limit.
        PayloadTooLarge = "PAYLOAD_TOO_LARGE",
        /// More samples in one batch than the stated limit.
        TooManySamples = "TOO_MANY_SAMPLES",
        /// The device id is not in the registry of this group.
        UnknownDevice = "UNKNOWN_DEVICE",
        /// The device exists but is switched off in the registry.
        DeviceDisabled = "DEVICE_DISABLED",
        /// The caller may not write for this shop or device.
        ShopMismatch = "SHOP_MISMATCH",
        /// A required field is absent.
        FieldMissing = "FIELD_MISSING",
        /// A field has a word outside its vocabulary or a shape we cannot read.
        FieldInvalid = "FIELD_INVALID",
        /// Columns of one batch have different lengths.
        ColumnLengthMismatch = "COLUMN_LENGTH_MISMATCH",
        /// Text is not plain UTF-8 of the allowed length.
        TextInvalid = "TEXT_INVALID",
        /// NaN or infinity.
        ValueNotFinite = "VALUE_NOT_FINITE",
        /// The values fit another unit (mV for V, mA for A).
        UnitSuspect = "UNIT_SUSPECT",
        /// Outside the hard gate for stored values.
        ValueOutOfRange = "VALUE_OUT_OF_RANGE",
        /// Device time does not increase with the sequence.
        TimeNotAscending = "TIME_NOT_ASCENDING",
        /// A synced clock is ahead of the server by more than the allowed window.
        TimestampInFuture = "TIMESTAMP_IN_FUTURE",
        /// A synced clock is behind the server by more than the allowed window.
        TimestampTooOld = "TIMESTAMP_TOO_OLD",
        /// The sequence number is held already with other content. First write wins.
        SeqConflict = "SEQ_CONFLICT",
        /// The row exists already with other content.
        ExistsWithDifferentContent = "EXISTS_WITH_DIFFERENT_CONTENT",
        /// Too many separate missing ranges in one boot to keep account of.
        TooManyGaps = "TOO_MANY_GAPS",
        /// The database refused the row for its content.
        DbRejected = "DB_REJECTED",
    }
}

impl Code {
    /// What the sender can do about it.
    #[must_use]
    pub fn fix(self) -> &'static str {
        match self {
            Self::MalformedPayload => {
                "send a SampleBatch of restvolt.v1, as protobuf or in its JSON form; compare with proto/restvolt/v1/telemetry.proto"
            }
            Self::UnsupportedContentType => {
                "publish to .../up/samples/pb (protobuf) or .../up/samples/json (its JSON form)"
            }
            Self::ContentTypeMismatch => {
                "leave the content type out, or let it agree with the topic: application/x-protobuf under .../samples/pb, application/json under .../samples/json"
            }
            Self::PayloadTooLarge => "send smaller batches; one message may have at most 1 MiB",
            Self::TooManySamples => "send at most 3600 samples in a batch; 60 is a good size",
            Self::UnknownDevice => {
                "register the device with `restvolt device add` and send with its own token"
            }
            Self::DeviceDisabled => {
                "enable the device in the registry, then replay from quarantine"
            }
            Self::ShopMismatch => "use a token of the shop the device is assigned to",
            Self::FieldMissing => "fill the named field",
            Self::FieldInvalid => "use one of the values listed for the named field",
            Self::ColumnLengthMismatch => {
                "give each column that is present one value per sample, -2147483648 where nothing was measured"
            }
            Self::TextInvalid => {
                "use plain UTF-8 text without control characters, at most 128 bytes"
            }
            Self::ValueNotFinite => "send a number; leave the value out when nothing was measured",
            Self::UnitSuspect => {
                "correct the unit in the sender, or declare it with `restvolt device set ID --unit v=mV`, then `restvolt quarantine replay`"
            }
            Self::ValueOutOfRange => {
                "check sensor, scale and unit; values outside -16..40 V, -500..500 A, -60..150 degC are not stored"
            }
            Self::TimeNotAscending => {
                "device time must rise with the sequence number; start a new boot_id after a reset"
            }
            Self::TimestampInFuture => {
                "set the device clock from the server time in the receipt, or send clock UNSYNCED"
            }
            Self::TimestampTooOld => {
                "data older than 90 days is not taken live; send clock UNSYNCED if the date is wrong, or use `restvolt import`"
            }
            Self::SeqConflict => {
                "never reuse a sequence number with other content; start a new boot_id after a reset"
            }
            Self::ExistsWithDifferentContent => {
                "the first content was kept; use another id for the new content, or correct the row where it lives"
            }
            Self::TooManyGaps => "resend the missing ranges of the receipt, or start a new boot_id",
            Self::DbRejected => "report this item to the operator; the raw bytes are kept",
        }
    }
}

/// One refused item: what, where and in which words.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, thiserror::Error)]
#[error("{code} in {field}: {detail}")]
pub struct Reject {
    /// Stable reason.
    pub code: Code,
    /// Field of the item, in the names of the contract.
    pub field: String,
    /// The offending value and the limit, at most a few hundred bytes.
    pub detail: String,
}

impl Reject {
    /// Makes a rejection; the detail is cut to 500 bytes at a character boundary.
    #[must_use]
    pub fn new(code: Code, field: impl Into<String>, detail: impl Into<String>) -> Self {
        let mut detail = printable(&detail.into());
        let mut end = detail.len().min(500);
        while !detail.is_char_boundary(end) {
            end -= 1;
        }
        detail.truncate(end);
        Self {
            code,
            field: printable(&field.into()),
            detail,
        }
    }
}

/// What came from outside may stand in a text of ours: control characters are written out.
fn printable(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() {
            shown.extend(c.escape_default());
        } else {
            shown.push(c);
        }
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_names_a_fix_and_is_upper_snake_of_at_most_63() {
        for code in Code::ALL {
            assert!(!code.fix().is_empty());
            let text = code.as_str();
            assert!(
                text.len() <= 63 && text.chars().all(|c| c.is_ascii_uppercase() || c == '_'),
                "{text}"
            );
        }
    }

    #[test]
    fn control_characters_of_a_sender_are_written_out() {
        let reject = Reject::new(Code::TextInvalid, "a\u{0}", "no field 'b\u{0}\n'");
        assert_eq!(
            (reject.field.as_str(), reject.detail.as_str()),
            ("a\\u{0}", "no field 'b\\u{0}\\n'")
        );
    }

    #[test]
    fn a_long_detail_is_cut_at_a_character() {
        let reject = Reject::new(Code::TextInvalid, "name", "\u{e9}".repeat(400));
        assert_eq!(reject.detail.len(), 500);
    }
}
