//! Table `verdict`: answers, frozen as they were given.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::advice::knowledge::Similar;
use crate::record::words::{Answer, Method};

/// A stored answer.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredVerdict {
    /// Id.
    pub verdict_id: Uuid,
    /// Visit asked about.
    pub visit_id: Uuid,
    /// Shop whose costs counted.
    pub shop_id: Uuid,
    /// When it was given.
    pub answered_at: DateTime<Utc>,
    /// The answer.
    pub answer: Answer,
    /// Chance of recovery; `None` with a hazard stop.
    pub chance: Option<StoredChance>,
    /// Attempts of the band with a known outcome; 0 with a hazard stop.
    pub band_n: i64,
    /// Of these, recovered.
    pub band_y: i64,
    /// Chance from which an attempt pays, ratio; `None` when none does, and with a hazard stop.
    pub p_star: Option<f64>,
    /// Worth of a recovery and cost of trying, money; `None` with a hazard stop.
    pub worth_and_cost: Option<(f64, f64)>,
    /// ISO 4217.
    pub currency: String,
    /// Model and rules that answered.
    pub model_version: String,
    /// Newest outcome the answer knew.
    pub cut_off: Option<DateTime<Utc>>,
    /// Too few outcomes: rests on belief.
    pub belief_only: bool,
    /// Chance that the policy would have said attempt.
    pub propensity: f64,
    /// The rest of the answer, as it was shown.
    pub body: VerdictBody,
}

/// Chance of recovery with its 90 % range, ratios.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StoredChance {
    /// Expected.
    pub mean: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Number of similar batteries it is worth.
    pub n_eq: f64,
}

/// The JSON of `verdict.body`: what people were shown.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct VerdictBody {
    /// Why, most important first.
    pub reasons: Vec<VerdictReason>,
    /// What would turn the answer round.
    pub would_flip: Option<String>,
    /// What to do with the battery if it is charged.
    pub plan: Option<String>,
    /// Method the answer is for.
    pub method: Method,
    /// Class of the rest voltage.
    pub voltage_class: Option<String>,
    /// Price of a replacement that was used, money.
    pub price: Option<f64>,
    /// Expected gain of trying, money.
    pub expected_gain: Option<f64>,
    /// Entries of the cost sheet that were defaults.
    pub defaulted: Vec<String>,
    /// When to stop an attempt, as sentences.
    pub stop_rules: Vec<String>,
    /// Shown with every advice.
    pub cautions: Vec<String>,
    /// Confidence that trying pays, 0 to 1; `None` at a hazard stop.
    #[serde(default)]
    pub pays_confidence: Option<f64>,
    /// No past case was like this one.
    #[serde(default)]
    pub extrapolates: bool,
    /// Why the chance was not to be relied on.
    #[serde(default)]
    pub unreliable: Option<String>,
    /// The reading worth most before deciding.
    #[serde(default)]
    pub reading: Option<StoredReading>,
    /// Past cases like this one, nearest first.
    #[serde(default)]
    pub similar: Vec<Similar>,
    /// The whole answer as plain text.
    pub text: String,
}

/// A reading that was worth taking.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct StoredReading {
    /// Stable word.
    pub reading: String,
    /// What to do.
    pub wish: String,
    /// Worth less its price, money.
    pub net: f64,
    /// Its price, money.
    pub price: f64,
}

/// One reason of an answer.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct VerdictReason {
    /// Stable word; of a hazard stop the hazard's own.
    pub code: String,
    /// Sentence with numbers and units.
    pub text: String,
}

struct Row {
    verdict_id: Uuid,
    visit_id: Uuid,
    shop_id: Uuid,
    answered_at: DateTime<Utc>,
    answer: String,
    chance: Option<f64>,
    chance_lo90: Option<f64>,
    chance_hi90: Option<f64>,
    n_eq: Option<f64>,
    band_n: i64,
    band_y: i64,
    p_star: Option<f64>,
    worth: Option<f64>,
    cost: Option<f64>,
    currency: String,
    model_version: String,
    cut_off: Option<DateTime<Utc>>,
    belief_only: bool,
    propensity: f64,
    body: String,
}

impl TryFrom<Row> for StoredVerdict {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let corrupt = |column| Error::corrupt("verdict", column, row.verdict_id);
        let chance = match (row.chance, row.chance_lo90, row.chance_hi90, row.n_eq) {
            (Some(mean), Some(lower), Some(upper), Some(n_eq)) => Some(StoredChance {
                mean,
                lower,
                upper,
                n_eq,
            }),
            (None, None, None, None) => None,
            _ => return Err(corrupt("chance")),
        };
        Ok(Self {
            verdict_id: row.verdict_id,
            visit_id: row.visit_id,
            shop_id: row.shop_id,
            answered_at: row.answered_at,
            answer: Answer::find(&row.answer).ok_or_else(|| corrupt("answer"))?,
            chance,
            band_n: row.band_n,
            band_y: row.band_y,
            p_star: row.p_star,
            worth_and_cost: row.worth.zip(row.cost),
            body: serde_json::from_str(&row.body).map_err(|_| corrupt("body"))?,
            currency: row.currency,
            model_version: row.model_version,
            cut_off: row.cut_off,
            belief_only: row.belief_only,
            propensity: row.propensity,
        })
    }
}

/// Writes answers, in one statement.
///
/// # Errors
/// `Refused` when a visit does not exist; database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    verdicts: &[StoredVerdict],
) -> Result<(), Error> {
    let ids =
        |pick: fn(&StoredVerdict) -> Uuid| -> Vec<Uuid> { verdicts.iter().map(pick).collect() };
    let counts =
        |pick: fn(&StoredVerdict) -> i64| -> Vec<i64> { verdicts.iter().map(pick).collect() };
    let words = |pick: fn(&StoredVerdict) -> &str| -> Vec<String> {
        verdicts
            .iter()
            .map(|verdict| pick(verdict).to_owned())
            .collect()
    };
    let numbers = |pick: fn(&StoredVerdict) -> Option<f64>| -> Vec<Option<f64>> {
        verdicts.iter().map(pick).collect()
    };
    let bodies: Result<Vec<String>, _> = verdicts
        .iter()
        .map(|verdict| serde_json::to_string(&verdict.body))
        .collect();
    let bodies = bodies.map_err(|error| Error::Misfit(error.to_string()))?;
    sqlx::query!(
        "insert into rv.verdict (group_id, verdict_id, visit_id, shop_id, answered_at, answer,
            chance, chance_lo90, chance_hi90, n_eq, band_n, band_y, p_star, worth, cost, currency,
            model_version, cut_off, belief_only, propensity, body)
        select $1, k.id, k.visit, k.shop, k.answered, k.answer, k.chance, k.lo, k.hi, k.n_eq, k.n,
            k.y, k.p_star, k.worth, k.cost, k.currency, k.model, k.cut_off, k.belief, k.propensity,
            k.body::jsonb
        from unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::timestamptz[], $6::text[], $7::float8[],
            $8::float8[], $9::float8[], $10::float8[], $11::bigint[], $12::bigint[], $13::float8[],
            $14::float8[], $15::float8[], $16::text[], $17::text[], $18::timestamptz[], $19::bool[],
            $20::float8[], $21::text[])
            as k (id, visit, shop, answered, answer, chance, lo, hi, n_eq, n, y, p_star, worth,
            cost,
                currency, model, cut_off, belief, propensity, body)",
        group,
        &ids(|v| v.verdict_id),
        &ids(|v| v.visit_id),
        &ids(|v| v.shop_id),
        &verdicts.iter().map(|v| v.answered_at).collect::<Vec<_>>(),
        &words(|v| v.answer.as_str()),
        &numbers(|v| v.chance.map(|chance| chance.mean)) as &[Option<f64>],
        &numbers(|v| v.chance.map(|chance| chance.lower)) as &[Option<f64>],
        &numbers(|v| v.chance.map(|chance| chance.upper)) as &[Option<f64>],
        &numbers(|v| v.chance.map(|chance| chance.n_eq)) as &[Option<f64>],
        &counts(|v| v.band_n),
        &counts(|v| v.band_y),
        &numbers(|v| v.p_star) as &[Option<f64>],
        &numbers(|v| v.worth_and_cost.map(|money| money.0)) as &[Option<f64>],
        &numbers(|v| v.worth_and_cost.map(|money| money.1)) as &[Option<f64>],
        &words(|v| &v.currency),
        &words(|v| &v.model_version),
        &verdicts.iter().map(|v| v.cut_off).collect::<Vec<_>>() as &[Option<DateTime<Utc>>],
        &verdicts.iter().map(|v| v.belief_only).collect::<Vec<_>>(),
        &verdicts.iter().map(|v| v.propensity).collect::<Vec<_>>(),
        &bodies
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Finds an answer.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<StoredVerdict>, Error> {
    let row = sqlx::query_as!(
        Row,
        r#"select verdict_id, visit_id, shop_id, answered_at, answer, chance, chance_lo90,
            chance_hi90, n_eq, band_n, band_y, p_star, worth, cost, currency, model_version,
            cut_off, belief_only, propensity, body::text as "body!"
        from rv.verdict where group_id = $1 and verdict_id = $2"#,
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    row.map(StoredVerdict::try_from).transpose()
}

/// The newest answer that was given for a visit.
///
/// # Errors
/// Database errors.
pub async fn newest_of_visit(
    conn: &mut PgConnection,
    group: Uuid,
    visit: Uuid,
) -> Result<Option<Uuid>, Error> {
    let id = sqlx::query_scalar!(
        "select verdict_id from rv.verdict where group_id = $1 and visit_id = $2
        order by answered_at desc, verdict_id desc limit 1",
        group,
        visit
    )
    .fetch_optional(conn)
    .await?;
    Ok(id)
}
