//! Where devices stand and who is told of their shop: remembered, asked anew now and then, never waited
//! for long. While the database is away what was known holds.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;
use std::time::{Duration, Instant};

use uuid::Uuid;

use super::taps::Taps;
use crate::alarm::condition::Source;
use crate::alarm::escalation::{Recipient, Routes};
use crate::alarm::text::Place;
use crate::store::alarm_routes::{self, Night, Route, Standing};
use crate::store::{self, Store};

/// How long an alarm may wait for a look-up.
const WAIT: Duration = Duration::from_millis(500);
/// How long the database is left alone after one failed.
const REST: Duration = Duration::from_secs(2);
/// How long a standing holds.
const STANDING: Duration = Duration::from_mins(5);
/// How long routes hold; a change made here is seen at once.
const ROUTES: Duration = Duration::from_secs(30);
/// Devices asked about at once: a busy database answers so many in time.
const TOGETHER: usize = 250;
/// Devices remembered at most.
const MEMORY_MAX: usize = 100_000;

/// Routes of one shop.
#[derive(Debug, Clone)]
pub(super) struct ShopRoutes {
    /// For the escalation.
    pub(super) routes: Routes,
    /// The same with their channels.
    all: Vec<Arc<Route>>,
}

impl ShopRoutes {
    fn new(night: Night, all: Vec<Arc<Route>>) -> Self {
        let recipients = all.iter().map(|route| recipient(route)).collect();
        Self {
            routes: Routes {
                recipients,
                night_from_min: night.from_min,
                night_to_min: night.to_min,
                utc_offset_min: night.utc_offset_min,
            },
            all,
        }
    }

    /// The way to a recipient.
    pub(super) fn find(&self, wanted: &Recipient) -> Option<&Arc<Route>> {
        let mut all = self.all.iter();
        all.find(|route| route.level == wanted.level && route.name == wanted.name)
    }
}

/// A route as the escalation knows it.
fn recipient(route: &Route) -> Recipient {
    Recipient {
        level: route.level,
        name: route.name.clone(),
        hours: route.hours,
    }
}

struct Group {
    at: Instant,
    shops: HashMap<Uuid, Arc<ShopRoutes>>,
    /// Of a shop without any.
    none: Arc<ShopRoutes>,
}

/// What is remembered.
pub(super) struct Places {
    store: Store,
    standings: HashMap<Source, (Instant, Arc<Standing>)>,
    groups: HashMap<Uuid, Group>,
    /// Until when the database is left alone.
    rest: Option<Instant>,
}

impl Places {
    pub(super) fn new(store: &Store) -> Self {
        Self {
            store: store.clone(),
            standings: HashMap::new(),
            groups: HashMap::new(),
            rest: None,
        }
    }

    /// Asks for what is missing or old of these devices and their groups.
    pub(super) async fn warm(&mut self, sources: &[Source], taps: &Taps) {
        let fresh = |at: &Instant, lasts: Duration| at.elapsed() < lasts;
        let mut missing: BTreeMap<Uuid, BTreeSet<Uuid>> = BTreeMap::new();
        for source in sources {
            let known = self.standings.get(source);
            let routes = self.groups.get(&source.group);
            let stale = !routes.is_some_and(|group| fresh(&group.at, ROUTES));
            if !known.is_some_and(|(at, _)| fresh(at, STANDING)) {
                missing
                    .entry(source.group)
                    .or_default()
                    .insert(source.device);
            } else if stale {
                missing.entry(source.group).or_default();
            }
            // Its tap may be younger than what is known of it.
            if let Some((_, standing)) = known {
                taps.declare(*source, standing.sender);
            }
        }
        if missing.is_empty() || self.rest.is_some_and(|rest| Instant::now() < rest) {
            return;
        }
        let store = self.store.clone();
        for (group, devices) in missing {
            let devices: Vec<Uuid> = devices.into_iter().collect();
            // The routes alone where no device is asked about.
            let parts = devices
                .chunks(TOGETHER)
                .chain(devices.is_empty().then_some(&[][..]));
            for part in parts {
                let asked = tokio::time::timeout(WAIT, ask(&store, group, part)).await;
                let Ok(Ok(found)) = asked else {
                    self.rest = Some(Instant::now() + REST);
                    return;
                };
                self.learn(group, part, found, taps);
            }
        }
    }

    fn learn(&mut self, group: Uuid, devices: &[Uuid], (found, shops): Asked, taps: &Taps) {
        if self.standings.len() + devices.len() > MEMORY_MAX {
            self.standings.clear();
        }
        let at = Instant::now();
        let mut found: HashMap<Uuid, Standing> = found.into_iter().collect();
        for device in devices {
            let source = Source {
                group,
                device: *device,
            };
            let standing = found.remove(device).unwrap_or_default();
            taps.declare(source, standing.sender);
            self.standings.insert(source, (at, Arc::new(standing)));
        }
        let none = Arc::new(ShopRoutes::new(Night::default(), Vec::new()));
        self.groups.insert(group, Group { at, shops, none });
    }

    /// Routes of a group were changed: they are asked for anew.
    pub(super) fn forget(&mut self, group: Uuid) {
        self.groups.remove(&group);
        self.rest = None;
    }

    /// Where a device stands, as far as that is known.
    pub(super) fn standing(&self, source: Source) -> Option<Arc<Standing>> {
        let known = self.standings.get(&source)?;
        Some(Arc::clone(&known.1))
    }

    /// Who is told of a device's alarms, as it stands in a shop that was known before or is known now; `None` until
    /// it is known where it stands: told to nobody's routes, an alarm would count as told.
    pub(super) fn told(&self, source: Source, shop: &mut Option<Uuid>) -> Option<Arc<ShopRoutes>> {
        let standing = self.standing(source);
        if standing.is_none() && shop.is_none() {
            return None;
        }
        *shop = standing.and_then(|standing| standing.shop).or(*shop);
        self.routes(source.group, *shop)
    }

    /// Routes of a shop; `None` while they are not known.
    pub(super) fn routes(&self, group: Uuid, shop: Option<Uuid>) -> Option<Arc<ShopRoutes>> {
        let group = self.groups.get(&group)?;
        let own = shop.and_then(|shop| group.shops.get(&shop));
        Some(Arc::clone(own.unwrap_or(&group.none)))
    }
}

impl Places {
    /// A route of a group by its id.
    pub(super) fn route(&self, group: Uuid, route: Uuid) -> Option<Arc<Route>> {
        let shops = &self.groups.get(&group)?.shops;
        let mut all = shops.values().flat_map(|shop| &shop.all);
        all.find(|known| known.route_id == route).map(Arc::clone)
    }
}

/// Names for people; a device that is not known is named by its id.
pub(super) fn names<'a>(standing: Option<&'a Standing>, id: &'a str) -> Place<'a> {
    match standing {
        Some(standing) if standing.shop.is_some() || !standing.device_name.is_empty() => Place {
            shop: &standing.shop_name,
            bench: &standing.bench_name,
            device: &standing.device_name,
        },
        _ => Place {
            shop: "",
            bench: "",
            device: id,
        },
    }
}

type Asked = (Vec<(Uuid, Standing)>, HashMap<Uuid, Arc<ShopRoutes>>);

async fn ask(store: &Store, group: Uuid, devices: &[Uuid]) -> Result<Asked, store::Error> {
    let mut tx = store.begin(group).await?;
    let standings = alarm_routes::standings(&mut tx, group, devices).await?;
    let routes = alarm_routes::list(&mut tx, group).await?;
    let nights = alarm_routes::nights(&mut tx, group).await?;
    tx.rollback().await?;
    Ok((standings, by_shop(routes, &nights)))
}

/// Routes by shop.
pub(super) fn by_shop(
    routes: Vec<Route>,
    nights: &[(Uuid, Night)],
) -> HashMap<Uuid, Arc<ShopRoutes>> {
    let mut shops: BTreeMap<Uuid, Vec<Arc<Route>>> = BTreeMap::new();
    for route in routes {
        shops.entry(route.shop).or_default().push(Arc::new(route));
    }
    let with_night = |(shop, all)| {
        let night = nights.iter().find(|row| row.0 == shop);
        let night = night.map(|row| row.1).unwrap_or_default();
        (shop, Arc::new(ShopRoutes::new(night, all)))
    };
    shops.into_iter().map(with_night).collect()
}
