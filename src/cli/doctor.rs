//! `doctor`: looks at what the service stands on, and says what to mend.

mod access;
mod broker;
mod database;
mod seat;

use serde_json::json;
use uuid::Uuid;

use super::{Context, Done, print};

const EXAMPLES: &str = "\
Each line is one check: ok, warn or FAIL, what was found, and the fix. Exit code 0: nothing FAILed
(warnings are allowed), 2: something did.

Examples:
  restvolt doctor                                    the database, its disk, the configured broker
  restvolt doctor --broker mqtt://127.0.0.1:1883     another broker than the configured one
  restvolt doctor --json | jq 'select(.result != \"ok\")'
  RESTVOLT_MQTT_PASSWORD=rvt_d_... restvolt doctor --device 018f2c6e-7d1a-7b3c-9d4e-5f6a7b8c9d0e
                                                     also: can this device write as another one?

The broker is tried with messages below restvolt/v1/doctor, under names of the doctor's own; nothing of
the service's session is touched. Without a database.url the private database is started for the time
of the check, unless the service runs it.";

/// Check the database, the disk and the broker, and say what to mend.
///
/// Reads the server's settings, compares the schema with this program's, looks at the free space, and
/// tries what a broker does not tell: how much it queues, how large a packet may be, and, with a
/// device's login, whether its access list holds.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// A broker to check: mqtt://HOST:PORT or mqtts://HOST:PORT.
    #[arg(long, value_name = "URL")]
    broker: Option<String>,
    /// A device to log in as at the broker, its password in `RESTVOLT_MQTT_PASSWORD`: tries to write
    /// as another device.
    #[arg(long, value_name = "ID")]
    device: Option<Uuid>,
}

impl Arguments {
    pub(super) fn flags(&self) -> Vec<(&'static str, String)> {
        let broker = self.broker.clone().map(|url| ("mqtt.broker", url));
        broker.into_iter().collect()
    }
}

/// How a check ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mark {
    Ok,
    Warn,
    Fail,
}

impl Mark {
    fn as_str(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::Warn => "warn",
            Self::Fail => "FAIL",
        }
    }
}

/// What one check found.
#[derive(Debug)]
struct Finding {
    check: &'static str,
    mark: Mark,
    found: String,
    /// Empty when all is well.
    fix: String,
}

impl Finding {
    fn ok(check: &'static str, found: impl Into<String>) -> Self {
        Self::new(check, Mark::Ok, (found.into(), String::new()))
    }

    fn warn(check: &'static str, found: impl Into<String>, fix: impl Into<String>) -> Self {
        Self::new(check, Mark::Warn, (found.into(), fix.into()))
    }

    fn fail(check: &'static str, found: impl Into<String>, fix: impl Into<String>) -> Self {
        Self::new(check, Mark::Fail, (found.into(), fix.into()))
    }

    fn new(check: &'static str, mark: Mark, (found, fix): (String, String)) -> Self {
        Self {
            check,
            mark,
            found,
            fix,
        }
    }
}

/// Prints findings as they come.
struct Report {
    json: bool,
    failed: bool,
}

impl Report {
    fn tell(&mut self, finding: &Finding) -> anyhow::Result<()> {
        self.failed |= finding.mark == Mark::Fail;
        let mark = finding.mark.as_str();
        if self.json {
            let line = json!({
                "check": finding.check,
                "result": mark.to_ascii_lowercase(),
                "found": finding.found,
                "fix": finding.fix,
            });
            return print(&line.to_string());
        }
        let fix = match finding.fix.as_str() {
            "" => String::new(),
            fix => format!(". Fix: {fix}"),
        };
        print(&format!(
            "{mark:4}  {:21}  {}{fix}",
            finding.check, finding.found
        ))
    }
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let mut report = Report {
        json: context.json,
        failed: false,
    };
    database::check(context, &mut report).await?;
    broker::check(context, arguments.device, &mut report).await?;
    Ok(if report.failed {
        Done::SomeRefused
    } else {
        Done::All
    })
}
