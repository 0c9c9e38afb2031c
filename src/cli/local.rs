//! A command's own access to the record, as the operator of one group.

use std::time::Duration;

use uuid::Uuid;

use super::{Context, remark};
use crate::app::database::Database;
use crate::app::{self, Stores};
use crate::clock::Clock;
use crate::query::Caller;
use crate::record::words::Scope;
use crate::store::Store;

/// An opened record.
pub(super) struct Local {
    database: Database,
    pub(super) stores: Stores,
    pub(super) clock: Clock,
    pub(super) caller: Caller,
}

impl Local {
    /// Opens the database: shares the private one of a running service, else starts it.
    pub(super) async fn open(context: &Context) -> anyhow::Result<Self> {
        let config = context.config();
        let database = Database::open(config, &context.surroundings, true).await?;
        let stores = match Stores::open(config, &database).await {
            Ok(stores) => stores,
            Err(error) => {
                database.stop().await;
                return Err(error);
            }
        };
        let clock = Clock::System;
        let (group, secret) =
            app::ensure_group(&stores.questions, &clock, &config.group.name).await?;
        if let Some(secret) = secret {
            remark(&first_token(&config.group.name, secret.reveal()));
        }
        let caller = Caller {
            group,
            scope: Scope::Operator,
            shop: None,
            device: None,
            name: "console".into(),
        };
        Ok(Self {
            database,
            stores,
            clock,
            caller,
        })
    }

    pub(super) fn store(&self) -> &Store {
        &self.stores.questions
    }

    /// Closes pools and, when this command started it, the database.
    pub(super) async fn close(self) {
        let Stores {
            intake,
            questions,
            alarms,
            ..
        } = self.stores;
        let pools = async { tokio::join!(intake.close(), questions.close(), alarms.close()) };
        // A pool that does not close in time is closed by the end of the process.
        let _ = tokio::time::timeout(Duration::from_secs(5), pools).await;
        self.database.stop().await;
    }

    /// The shop of a name, or the only one.
    pub(super) async fn shop(&self, name: Option<&str>) -> anyhow::Result<Uuid> {
        let shops = crate::query::registry::list_shops(self.store(), &self.caller).await?;
        let names = || {
            let names: Vec<&str> = shops
                .iter()
                .take(20)
                .map(|shop| shop.name.as_str())
                .collect();
            names.join(", ")
        };
        match (name, shops.as_slice()) {
            (None, [only]) => Ok(only.shop_id),
            (None, []) => anyhow::bail!(
                "there is no shop yet: make one with `restvolt device add --shop NAME ...` or `restvolt import`"
            ),
            (None, _) => anyhow::bail!("say which shop with --shop: {}", names()),
            (Some(name), _) => match shops.iter().find(|shop| shop.name == name) {
                Some(shop) => Ok(shop.shop_id),
                None => anyhow::bail!("there is no shop `{name}`; known: {}", names()),
            },
        }
    }
}

impl Local {
    /// The shop of a name; without one `None`, for all of them.
    pub(super) async fn shop_named(&self, name: Option<&str>) -> anyhow::Result<Option<Uuid>> {
        match name {
            Some(_) => self.shop(name).await.map(Some),
            None => Ok(None),
        }
    }

    /// As `shop`; on a record without any shop, one of default costs is made, so that the first
    /// question of a newcomer gets an answer that says so.
    pub(super) async fn shop_or_first(&self, name: Option<&str>) -> anyhow::Result<Uuid> {
        let shops = crate::query::registry::list_shops(self.store(), &self.caller).await?;
        if !shops.is_empty() {
            return self.shop(name).await;
        }
        let new = (name.unwrap_or("first shop").to_owned(), String::new());
        let made =
            crate::query::registry::create_shop(self.store(), &self.clock, &self.caller, new)
                .await?;
        remark(&format!(
            "made shop `{}` with default costs; `restvolt import --shops` states yours",
            made.name
        ));
        Ok(made.shop_id)
    }
}

/// How the first token is shown, once.
pub(super) fn first_token(group: &str, text: &str) -> String {
    format!(
        "First operator token of group `{group}`, shown this once; keep it:\n  {text}\n\
         Use it as RESTVOLT_TOKEN or `authorization: Bearer ...`; make narrower ones with `restvolt token create`."
    )
}
