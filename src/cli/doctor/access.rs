//! Whether a device can write in the name of another one.

use uuid::Uuid;

use super::Finding;
use super::broker::{SILENCE, Visit};
use super::seat::{PASSING, Seat, clear};
use crate::edge::encoding::Encoding;
use crate::edge::mqtt::topic::{self, ROOT};

const CHECK: &str = "broker access list";

/// What a device managed to write.
#[derive(Debug, Default)]
struct Written {
    /// To its own topic.
    own: bool,
    /// To a topic of another device.
    other: Option<String>,
}

impl Visit {
    /// Logs in as a device and writes as another one, while the service's login listens.
    pub(super) async fn access(&self, device: Uuid, password: &str) -> Finding {
        let tried = self.try_access(device, password).await;
        let shipped = "see the access list: a device needs `pattern write restvolt/v1/%u/up/#` and \
                       nothing wider, as in deploy/mosquitto/acl";
        match tried {
            Err(error) => Finding::fail(
                CHECK,
                format!("the probe as device {device} broke off: {error:#}"),
                "let the broker have the device's id as login and RESTVOLT_MQTT_PASSWORD as its \
                 password",
            ),
            Ok(Written {
                other: Some(topic), ..
            }) => {
                let found = format!("device {device} may write as another one: {topic} arrived");
                Finding::fail(CHECK, found, shipped)
            }
            Ok(Written { own: false, .. }) => {
                let found =
                    format!("what device {device} writes to its own topics does not arrive");
                Finding::fail(CHECK, found, shipped)
            }
            Ok(_) => {
                let found = format!(
                    "device {device} writes its own samples; what it wrote as another device \
                     (samples, status) did not arrive"
                );
                Finding::ok(CHECK, found)
            }
        }
    }

    async fn try_access(&self, device: Uuid, password: &str) -> anyhow::Result<Written> {
        let nobody = Uuid::nil();
        let others = [
            topic::samples(nobody, Encoding::Protobuf),
            topic::status(nobody),
        ];
        // None of the service's: it counts it and drops it.
        let own = format!("{ROOT}/{device}/up/doctor/probe");
        let mut reader = Seat::take(&self.login, &self.name("reader"), PASSING).await?;
        reader.subscribe(&[&others[0], &others[1], &own]).await?;
        let mut login = self.login.clone();
        login.address.username = device.to_string();
        password.clone_into(&mut login.address.password);
        let name = self.name("device");
        let mut ours = true;
        for (number, to) in others.iter().chain([&own]).enumerate() {
            // Its session is not ended: where the broker replaces names it is the device's own.
            let mut writer = Seat::take(&login, &name, login.address.session).await?;
            ours &= number > 0 || !writer.present;
            let payload = std::iter::once(self.run.clone().into_bytes());
            // A broker may cut off who writes where it may not, before or after it acknowledged:
            // what counts is what arrives.
            let _ = writer.publish(to, payload).await;
            writer.leave().await;
        }
        if ours {
            clear(&login, &name).await;
        }
        let mut written = Written::default();
        while !written.own {
            let Some(message) = reader.message(SILENCE).await? else {
                break;
            };
            if message.payload == self.run.as_bytes() {
                written.own = message.topic == own;
                if !written.own {
                    written.other = Some(message.topic);
                }
            }
        }
        reader.leave().await;
        Ok(written)
    }
}
