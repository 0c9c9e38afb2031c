//! Any method of the contract by its name, with its messages in their JSON form.

use prost::bytes::{Buf as _, BufMut as _};
use prost_reflect::{DescriptorPool, DynamicMessage, MethodDescriptor};
use tonic::Status;
use tonic::codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder};

use super::encoding::{pool, read_json, write_json};

/// Package of the contract.
const PACKAGE: &str = "restvolt.v1.";

/// A method of the contract.
#[derive(Debug, Clone)]
pub struct Method(MethodDescriptor);

impl Method {
    /// Every method, in the order of the contract.
    #[must_use]
    pub fn all() -> Vec<Self> {
        let services = pool().into_iter().flat_map(DescriptorPool::services);
        services
            .filter(|service| service.full_name().starts_with(PACKAGE))
            .flat_map(|service| service.methods().map(Self).collect::<Vec<_>>())
            .collect()
    }

    /// Finds one: `TelemetryService/Push`, with or without the package, or only `Push` where one
    /// service alone has it.
    ///
    /// # Errors
    /// Which methods there are, in words.
    pub fn find(name: &str) -> Result<Self, String> {
        let all = Self::all();
        let wanted = name.trim_start_matches('/');
        let wanted = wanted.strip_prefix(PACKAGE).unwrap_or(wanted);
        let known = all.iter().find(|method| method.name() == wanted);
        if let Some(method) = known {
            return Ok(method.clone());
        }
        let mut short = all.iter().filter(|method| method.0.name() == wanted);
        match (short.next(), short.next()) {
            (Some(only), None) => Ok(only.clone()),
            (Some(_), Some(_)) => Err(format!("more than one service has `{wanted}`")),
            _ => Err(format!("`{name}` is no method of the contract")),
        }
    }

    /// Name with its service: `TelemetryService/Push`.
    #[must_use]
    pub fn name(&self) -> String {
        format!("{}/{}", self.0.parent_service().name(), self.0.name())
    }

    /// Its address in HTTP/2.
    #[must_use]
    pub fn path(&self) -> String {
        let service = self.0.parent_service();
        format!("/{}/{}", service.full_name(), self.0.name())
    }

    /// Whether it takes a stream, and whether it answers with one.
    #[must_use]
    pub fn streams(&self) -> (bool, bool) {
        (self.0.is_client_streaming(), self.0.is_server_streaming())
    }

    /// Names of the messages it takes and gives.
    #[must_use]
    pub fn messages(&self) -> (String, String) {
        let name = |message: prost_reflect::MessageDescriptor| message.name().to_owned();
        (name(self.0.input()), name(self.0.output()))
    }

    /// Reads a request from JSON.
    ///
    /// # Errors
    /// Where it is none, in words.
    pub fn request(&self, json: &str) -> Result<Vec<u8>, String> {
        let message = read_json(self.0.input(), json.as_bytes())?;
        Ok(prost::Message::encode_to_vec(&message))
    }

    /// Writes an answer as JSON.
    ///
    /// # Errors
    /// Bytes that are no such message.
    pub fn answer(&self, bytes: &[u8]) -> Result<serde_json::Value, String> {
        let message = DynamicMessage::decode(self.0.output(), bytes);
        let message = message.map_err(|error| error.to_string())?;
        let json = write_json(&message, serde_json::value::Serializer);
        json.map_err(|error| error.to_string())
    }
}

/// Messages as the bytes they are on the wire.
#[derive(Debug, Clone, Copy, Default)]
pub struct AsBytes;

impl Codec for AsBytes {
    type Encode = Vec<u8>;
    type Decode = Vec<u8>;
    type Encoder = Self;
    type Decoder = Self;

    fn encoder(&mut self) -> Self {
        Self
    }

    fn decoder(&mut self) -> Self {
        Self
    }
}

impl Encoder for AsBytes {
    type Item = Vec<u8>;
    type Error = Status;

    fn encode(&mut self, item: Vec<u8>, into: &mut EncodeBuf<'_>) -> Result<(), Status> {
        into.put_slice(&item);
        Ok(())
    }
}

impl Decoder for AsBytes {
    type Item = Vec<u8>;
    type Error = Status;

    fn decode(&mut self, from: &mut DecodeBuf<'_>) -> Result<Option<Vec<u8>>, Status> {
        let mut message = vec![0; from.remaining()];
        from.copy_to_slice(&mut message);
        Ok(Some(message))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn methods_are_found_by_any_of_their_names_and_speak_json() {
        let push = Method::find("Push").unwrap();
        for name in [
            "TelemetryService/Push",
            "restvolt.v1.TelemetryService/Push",
            "/restvolt.v1.TelemetryService/Push",
        ] {
            assert_eq!(Method::find(name).unwrap().path(), push.path());
        }
        assert_eq!(push.path(), "/restvolt.v1.TelemetryService/Push");
        assert!(Method::find("Explode").unwrap_err().contains("Explode"));
        let bytes = push
            .request(r#"{"batches": [{"first_seq": "3"}]}"#)
            .unwrap();
        // protobuf.dev, "Encoding": field 1 of length 2, in it field 3 as a varint.
        assert_eq!(bytes, [0x0a, 2, 0x18, 3]);
        let unknown = push.request(r#"{"batch": []}"#).unwrap_err();
        assert!(unknown.contains("batch"), "{unknown}");
        assert!(push.request("{} {}").is_err());
        assert_eq!(push.answer(&[]).unwrap(), serde_json::json!({}));
        assert!(push.answer(&[255]).is_err());
    }
}
