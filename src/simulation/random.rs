//! Random numbers that are the same on every machine.

/// Draws from the extended output of BLAKE3 over a seed and a name.
#[derive(Debug)]
pub struct Random(blake3::OutputReader);

impl Random {
    /// Numbers of a seed, apart from those of other names.
    #[must_use]
    pub fn of(seed: u64, name: &str) -> Self {
        let mut hasher = blake3::Hasher::new();
        hasher.update(&seed.to_le_bytes()).update(name.as_bytes());
        Self(hasher.finalize_xof())
    }

    /// At least 0, below 1.
    pub fn unit(&mut self) -> f64 {
        let mut bytes = [0; 8];
        self.0.fill(&mut bytes);
        (u64::from_le_bytes(bytes) >> 11) as f64 / (1u64 << 53) as f64
    }

    /// At least `from`, below `to`.
    pub fn between(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.unit()
    }

    /// One of these, each as likely as the others; the default when there is none.
    pub fn among<T: Copy + Default>(&mut self, from: &[T]) -> T {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "below the length"
        )]
        let index = (self.unit() * from.len() as f64) as usize;
        from.get(index).copied().unwrap_or_default()
    }

    /// About normal with mean 0 and standard deviation 1: the sum of twelve uniform draws.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }

    /// Time to the next event of a process without memory, s.
    pub fn waiting_s(&mut self, mean_s: f64) -> f64 {
        -mean_s * libm::log(1.0 - self.unit())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_repeat_with_their_seed_and_lie_where_they_should() {
        let draw = |seed, name| {
            let mut random = Random::of(seed, name);
            (0..4_000).map(|_| random.unit()).collect::<Vec<f64>>()
        };
        let first = draw(1, "a");
        assert_eq!(first, draw(1, "a"));
        assert_ne!(first, draw(2, "a"));
        assert_ne!(first, draw(1, "b"));
        assert!(first.iter().all(|draw| (0.0..1.0).contains(draw)));
        // Mean 1/2 with a standard error of 0.0046.
        let mean = first.iter().sum::<f64>() / 4_000.0;
        assert!((mean - 0.5).abs() < 0.02, "{mean}");
        let mut random = Random::of(3, "waits");
        let mean = (0..4_000).map(|_| random.waiting_s(60.0)).sum::<f64>() / 4_000.0;
        assert!((mean - 60.0).abs() < 4.0, "{mean}");
        let square = (0..4_000).map(|_| random.normal()).map(|z| z * z);
        let variance = square.sum::<f64>() / 4_000.0;
        assert!((variance - 1.0).abs() < 0.1, "{variance}");
    }
}
