//! A set of sequence numbers as ascending, disjoint, non-adjacent ranges.

/// Numbers from `.0` to `.1`, both included.
pub type Range = (i64, i64);

/// A set of sequence numbers.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Ranges(Vec<Range>);

impl Ranges {
    /// Takes stored ranges; they are put into canonical form.
    #[must_use]
    pub fn from_pairs(pairs: impl IntoIterator<Item = Range>) -> Self {
        let mut set = Self::default();
        for (from, to) in pairs {
            set.insert(from, to);
        }
        set
    }

    /// The ranges, ascending.
    #[must_use]
    pub fn as_slice(&self) -> &[Range] {
        &self.0
    }

    /// Adds `from..=to`; nothing when `from > to`.
    pub fn insert(&mut self, mut from: i64, mut to: i64) {
        if from > to {
            return;
        }
        let start = self
            .0
            .partition_point(|range| range.1.saturating_add(1) < from);
        let mut end = start;
        while let Some(range) = self.0.get(end) {
            if range.0 > to.saturating_add(1) {
                break;
            }
            (from, to) = (from.min(range.0), to.max(range.1));
            end += 1;
        }
        self.0.splice(start..end, [(from, to)]);
    }

    /// Parts of `from..=to` that are not in the set, ascending.
    #[must_use]
    pub fn missing_in(&self, from: i64, to: i64) -> Vec<Range> {
        let mut missing = Vec::new();
        let mut next = from;
        let start = self.0.partition_point(|range| range.1 < from);
        for range in self.0.iter().skip(start) {
            if range.0 > to {
                break;
            }
            if range.0 > next {
                missing.push((next, range.0 - 1));
            }
            next = next.max(range.1.saturating_add(1));
        }
        if next <= to {
            missing.push((next, to));
        }
        missing
    }

    /// Whether every number of `from..=to` is in the set.
    #[must_use]
    pub fn contains(&self, from: i64, to: i64) -> bool {
        self.missing_in(from, to).is_empty()
    }

    /// How many numbers of `from..=to` are in the set.
    #[must_use]
    pub fn count_in(&self, from: i64, to: i64) -> i64 {
        if from > to {
            return 0;
        }
        let missing: i64 = self
            .missing_in(from, to)
            .iter()
            .map(|range| range.1 - range.0 + 1)
            .sum();
        to - from + 1 - missing
    }

    /// Highest number up to which everything from `start` on is held; `start - 1` when `start` is not.
    #[must_use]
    pub fn contiguous_from(&self, start: i64) -> i64 {
        let at = self.0.partition_point(|range| range.1 < start);
        match self.0.get(at) {
            Some(range) if range.0 <= start => range.1,
            _ => start - 1,
        }
    }

    /// Highest number held.
    #[must_use]
    pub fn last(&self) -> Option<i64> {
        self.0.last().map(|range| range.1)
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use proptest::prelude::*;

    use super::*;

    #[test]
    fn adjacent_ranges_join() {
        let set = Ranges::from_pairs([(5, 9), (1, 2), (3, 4)]);
        assert_eq!(set.as_slice(), [(1, 9)]);
        assert_eq!(set.contiguous_from(1), 9);
    }

    proptest! {
        #[test]
        fn it_behaves_like_a_set_of_numbers(
            pairs in prop::collection::vec((1i64..60, 0i64..8), 0..12),
            from in 1i64..70, span in 0i64..20,
        ) {
            let pairs: Vec<Range> = pairs.into_iter().map(|(a, n)| (a, a + n)).collect();
            let set = Ranges::from_pairs(pairs.clone());
            let naive: BTreeSet<i64> = pairs.iter().flat_map(|r| r.0..=r.1).collect();
            let to = from + span;
            let missing: Vec<i64> = (from..=to).filter(|n| !naive.contains(n)).collect();
            let ours: Vec<i64> = set.missing_in(from, to).iter().flat_map(|r| r.0..=r.1).collect();
            prop_assert_eq!(&ours, &missing);
            prop_assert_eq!(set.count_in(from, to), (to - from + 1) - i64::try_from(missing.len()).unwrap());
            prop_assert_eq!(set.last(), naive.last().copied());
            let contiguous = (from..200).take_while(|n| naive.contains(n)).last().unwrap_or(from - 1);
            prop_assert_eq!(set.contiguous_from(from), contiguous);
            for pair in set.as_slice().windows(2) {
                prop_assert!(pair[0].1 + 1 < pair[1].0);
            }
        }
    }
}
