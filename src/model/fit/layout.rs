//! Columns of a fit: fixed terms first, then the random intercepts group by group.

use std::ops::Range;

use uuid::Uuid;

use super::{Basis, lithium};
use crate::model::bands::{MonthsBand, VoltageBand};
use crate::model::logistic::{Gaussian, Group as Intercepts, Model, Undetermined};
use crate::model::prior::{Features, Prior, Term};
use crate::model::symmetric::Symmetric;
use crate::record::words::{Method, Segment, Storage, vocabulary};

/// Chemistries that are told apart in a cell, in the order of `prior::Levels::cell`.
const CELL_CHEMISTRIES: [&str; 3] = ["flooded", "agm", "gel"];

vocabulary! {
    /// Random intercepts, in the order of their columns.
    Group {
        Shop = "shop",
        Method = "method",
        Storage = "storage",
        Segment = "segment",
        /// Voltage band x months band x chemistry: what the smooth terms miss.
        Cell = "cell",
    }
}

vocabulary! {
    /// Parts of an answer, in the order in which they are shown.
    Block {
        /// The reference battery itself; no reason.
        Base = "base",
        Voltage = "voltage",
        OneCellShort = "one_cell_short",
        Months = "months_since_full_charge",
        Age = "age",
        Tester = "tester",
        Chemistry = "chemistry",
        Storage = "storage",
        Electrolyte = "electrolyte",
        NominalVoltage = "nominal_voltage",
        Method = "method",
        Segment = "segment",
        Shop = "shop",
        /// What this voltage, idle time and chemistry do together, beyond the sum.
        Combination = "combination",
    }
}

impl Block {
    /// The part a term belongs to; a product with depth goes with its first factor.
    fn of(term: Term) -> Self {
        match term {
            Term::Intercept => Self::Base,
            Term::OneCellShort => Self::OneCellShort,
            Term::Months | Term::MonthsDepth | Term::MonthsUnknown | Term::MonthsUnknownDepth => {
                Self::Months
            }
            Term::Age | Term::AgePastFour | Term::AgeUnknown => Self::Age,
            Term::Cca | Term::TestedOk | Term::NoPowerUp => Self::Tester,
            Term::Agm | Term::Gel | Term::AgmDepth | Term::GelDepth => Self::Chemistry,
            Term::FrostRisk => Self::Storage,
            Term::ElectrolyteLow => Self::Electrolyte,
            Term::SixVolt => Self::NominalVoltage,
            Term::ElevatedDepth | Term::ElevatedGel => Self::Method,
        }
    }
}

impl Group {
    fn block(self) -> Block {
        match self {
            Self::Shop => Block::Shop,
            Self::Method => Block::Method,
            Self::Storage => Block::Storage,
            Self::Segment => Block::Segment,
            Self::Cell => Block::Combination,
        }
    }

    /// Name of one level.
    fn level(self, at: usize, shops: &[Uuid]) -> Option<String> {
        let text = match self {
            Self::Shop => shops.get(at)?.to_string(),
            Self::Method => Method::ALL.get(at)?.as_str().to_owned(),
            Self::Storage => Storage::ALL.get(at)?.as_str().to_owned(),
            Self::Segment => Segment::ALL.get(at)?.as_str().to_owned(),
            Self::Cell => {
                let (bands, chemistry) = (at / CELL_CHEMISTRIES.len(), at % CELL_CHEMISTRIES.len());
                let volts = VoltageBand::ALL.get(bands / MonthsBand::ALL.len())?;
                let months = MonthsBand::ALL.get(bands % MonthsBand::ALL.len())?;
                let chemistry = CELL_CHEMISTRIES.get(chemistry)?;
                format!("{volts}/{months}/{chemistry}")
            }
        };
        Some(text)
    }
}

/// Where the levels of a group stand.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct GroupColumns {
    pub(super) group: Group,
    pub(super) columns: Range<usize>,
}

/// A battery in the columns of a fit.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Placed {
    /// (column, value) of what is not zero, columns ascending.
    pub entries: Vec<(usize, f64)>,
    /// Groups of the family whose level is not known: each adds its variance to an answer.
    pub unknown: Vec<Group>,
}

/// Columns of a fit and what they stand for.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Layout {
    basis: Basis,
    shops: Vec<Uuid>,
    groups: Vec<GroupColumns>,
}

impl Layout {
    /// Lays the columns out; `shops` ascending without doubles.
    pub(super) fn new(basis: Basis, shops: Vec<Uuid>) -> Self {
        let mut groups = Vec::new();
        if let Basis::LeadAcid(prior) = &basis {
            let cells = VoltageBand::ALL.len() * MonthsBand::ALL.len() * CELL_CHEMISTRIES.len();
            let mut first = prior.columns();
            for (group, levels) in [
                (Group::Shop, shops.len()),
                (Group::Method, Method::ALL.len() - 1),
                (Group::Storage, Storage::ALL.len() - 1),
                (Group::Segment, Segment::ALL.len()),
                (Group::Cell, cells),
            ] {
                let columns = first..first + levels;
                first = columns.end;
                groups.push(GroupColumns { group, columns });
            }
        }
        Self {
            basis,
            shops,
            groups,
        }
    }

    pub(super) fn basis(&self) -> &Basis {
        &self.basis
    }

    pub(super) fn shops(&self) -> &[Uuid] {
        &self.shops
    }

    pub(super) fn groups(&self) -> &[GroupColumns] {
        &self.groups
    }

    /// Number of columns before the groups.
    pub(super) fn fixed(&self) -> usize {
        match &self.basis {
            Basis::LeadAcid(prior) => prior.columns(),
            Basis::Lithium(_) => lithium::TERMS.len(),
        }
    }

    /// Number of shops with a column.
    pub(super) fn shop_columns(&self) -> usize {
        if self.groups.is_empty() {
            0
        } else {
            self.shops.len()
        }
    }

    /// Number of all columns.
    pub(super) fn columns(&self) -> usize {
        self.groups
            .last()
            .map_or(self.fixed(), |last| last.columns.end)
    }

    /// Puts a battery into the columns.
    pub(super) fn place(&self, features: &Features, shop: Option<Uuid>) -> Placed {
        let mut placed = Placed {
            entries: Vec::with_capacity(self.fixed() + self.groups.len()),
            unknown: Vec::new(),
        };
        self.place_again(features, shop, &mut placed);
        placed
    }

    /// Puts a battery into the columns, in place of the one that was there.
    pub(super) fn place_again(&self, of: &Features, shop: Option<Uuid>, placed: &mut Placed) {
        let Placed { entries, unknown } = placed;
        entries.clear();
        unknown.clear();
        let Basis::LeadAcid(prior) = &self.basis else {
            entries.extend(lithium::entries(of));
            return;
        };
        let levels = prior.lay_out(of, entries);
        for GroupColumns { group, columns } in &self.groups {
            let level = match group {
                Group::Shop => shop.and_then(|shop| self.shops.binary_search(&shop).ok()),
                Group::Method => levels.method,
                Group::Storage => levels.storage,
                Group::Segment => Some(levels.segment),
                Group::Cell => Some(levels.cell),
            };
            match level {
                Some(level) => entries.push((columns.start + level, 1.0)),
                None => unknown.push(*group),
            }
        }
    }

    /// Prior and groups for the solver.
    pub(super) fn model(&self) -> Result<Model, Undetermined> {
        match &self.basis {
            Basis::LeadAcid(prior) => self.lead_acid(prior),
            Basis::Lithium(version) => Ok(lithium::model(*version)),
        }
    }

    fn lead_acid(&self, prior: &Prior) -> Result<Model, Undetermined> {
        let fixed = prior.columns();
        let mut covariance = Symmetric::zeros(fixed);
        for row in 0..fixed {
            for column in 0..=row {
                covariance.set(row, column, prior.covariance(row, column));
            }
        }
        let mut belief = Gaussian::flat(self.columns());
        // Positive definite by its form; only spreads beyond the range of a double can spoil it.
        let factor = covariance.cholesky().ok_or(Undetermined)?;
        let inverse = factor.invert().inverse();
        for row in 0..fixed {
            if let Some(cell) = belief.mean.get_mut(row) {
                *cell = prior.mean(row);
            }
            for column in 0..=row {
                let cell = inverse.get(row, column);
                belief.precision.set(row, column, cell);
            }
        }
        let scales = prior.groups();
        let groups = self
            .groups
            .iter()
            .map(|GroupColumns { group, columns }| Intercepts {
                first: columns.start,
                len: columns.len(),
                prior_sd: match group {
                    Group::Shop => scales.shop,
                    Group::Method => scales.method,
                    Group::Storage => scales.storage,
                    Group::Segment => scales.segment,
                    Group::Cell => scales.cell,
                },
                weight: scales.weight,
            });
        Ok(Model {
            prior: belief,
            groups: groups.collect(),
            rising: (Term::ALL.len()..fixed).collect(),
        })
    }

    /// Variance of a sparse combination before outcomes, with given group scales.
    pub(super) fn prior_variance(&self, entries: &[(usize, f64)], group_sd: &[f64]) -> f64 {
        let fixed = self.fixed();
        let mut sum = 0.0;
        for (column, x) in entries.iter().filter(|(column, _)| *column < fixed) {
            for (other, z) in entries.iter().filter(|(other, _)| *other < fixed) {
                sum += x * z * self.prior_covariance(*column, *other);
            }
        }
        for (GroupColumns { columns, .. }, sd) in self.groups.iter().zip(group_sd) {
            let own = entries
                .iter()
                .filter(|(column, _)| columns.contains(column));
            sum += own.map(|(_, x)| x * x * sd * sd).sum::<f64>();
        }
        sum
    }

    fn prior_covariance(&self, left: usize, right: usize) -> f64 {
        match &self.basis {
            Basis::LeadAcid(prior) => prior.covariance(left, right),
            Basis::Lithium(version) if left == right => {
                let sd = lithium::TERMS.get(left).map(|term| version.sd(term));
                sd.map_or(0.0, |sd| sd * sd)
            }
            Basis::Lithium(_) => 0.0,
        }
    }

    /// True for a rise of the voltage curve.
    pub(super) fn is_rise(&self, at: usize) -> bool {
        matches!(&self.basis, Basis::LeadAcid(prior) if prior.rise(at).is_some())
    }

    /// Name and part of a column.
    pub(super) fn column(&self, at: usize) -> Option<(String, Block)> {
        let fixed = self.fixed();
        if at >= fixed {
            let found = self
                .groups
                .iter()
                .find(|group| group.columns.contains(&at))?;
            let level = found.group.level(at - found.columns.start, &self.shops)?;
            return Some((format!("{}:{level}", found.group), found.group.block()));
        }
        match &self.basis {
            Basis::Lithium(_) => lithium::TERMS
                .get(at)
                .map(|term| (term.name.to_owned(), term.block)),
            Basis::LeadAcid(prior) => {
                if let Some(term) = Term::ALL.get(at) {
                    return Some((term.as_str().to_owned(), Block::of(*term)));
                }
                let (low, high) = prior.rise(at)?;
                Some((format!("rise_{low}_to_{high}_v"), Block::Voltage))
            }
        }
    }

    /// The part of a column, without its name.
    pub(super) fn block(&self, at: usize) -> Option<Block> {
        if at >= self.fixed() {
            let found = self
                .groups
                .iter()
                .find(|group| group.columns.contains(&at))?;
            return Some(found.group.block());
        }
        match &self.basis {
            Basis::Lithium(_) => lithium::TERMS.get(at).map(|term| term.block),
            Basis::LeadAcid(_) => Some(
                Term::ALL
                    .get(at)
                    .map_or(Block::Voltage, |term| Block::of(*term)),
            ),
        }
    }
}
