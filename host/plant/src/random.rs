//! Seeded random numbers: xoshiro256++ 1.0, seeded through SplitMix64.
//!
//! Blackman and Vigna, "Scrambled linear pseudorandom number generators", ACM TOMS 47 (2021); Steele, Lea and Flood,
//! "Fast splittable pseudorandom number generators", OOPSLA 2014. Public domain reference: prng.di.unimi.it.

/// SplitMix64, for turning one seed into a generator's state.
struct SplitMix64(u64);

impl SplitMix64 {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}

/// xoshiro256++.
#[derive(Debug, Clone)]
pub struct Random([u64; 4]);

impl Random {
    /// A generator for a seed; the same seed gives the same numbers.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        let mut mix = SplitMix64(seed);
        Self([mix.next(), mix.next(), mix.next(), mix.next()])
    }

    /// The next 64 random bits.
    #[inline]
    pub fn bits(&mut self) -> u64 {
        let s = &mut self.0;
        let result = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        result
    }

    /// Uniform in [0, 1).
    #[inline]
    pub fn uniform(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// Mean 0, standard deviation 1, bounded at ±3.46: four 16-bit uniforms of one draw added (Irwin–Hall, n = 4).
    /// One draw is cheap enough for every step; the bound keeps a rehearsal free of freak samples.
    #[inline]
    pub fn normal(&mut self) -> f64 {
        normal_of(self.bits())
    }
}

/// What [`Random::normal`] makes of 64 random bits.
#[inline]
pub(crate) fn normal_of(bits: u64) -> f64 {
    const LANES: u64 = 0x0000_ffff_0000_ffff;
    let pairs = (bits & LANES) + ((bits >> 16) & LANES);
    let sum = (pairs as u32) + (pairs >> 32) as u32;
    // Each lane is uniform on 0..=65535: mean 32767.5, variance (65536² − 1)/12; four of them.
    (f64::from(sum) - 131_070.0) * (1.0 / 37_837.227_237_206_5)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn splitmix64_gives_the_published_values_for_seed_1234567() {
        // Rosetta Code, "Pseudo-random numbers/Splitmix64", as quoted in several public test suites.
        let mut mix = SplitMix64(1_234_567);
        let got: Vec<u64> = (0..5).map(|_| mix.next()).collect();
        assert_eq!(
            got,
            [
                6_457_827_717_110_365_317,
                3_203_168_211_198_807_973,
                9_817_491_932_198_370_423,
                4_593_380_528_125_082_431,
                16_408_922_859_458_223_821
            ]
        );
    }

    #[test]
    fn xoshiro256_plus_plus_gives_the_reference_values_for_state_1_2_3_4() {
        // From the reference implementation, as quoted in the tests of the crate rand_xoshiro.
        let mut random = Random([1, 2, 3, 4]);
        let got: Vec<u64> = (0..10).map(|_| random.bits()).collect();
        assert_eq!(
            got,
            [
                41_943_041,
                58_720_359,
                3_588_806_011_781_223,
                3_591_011_842_654_386,
                9_228_616_714_210_784_205,
                9_973_669_472_204_895_162,
                14_011_001_112_246_962_877,
                12_406_186_145_184_390_807,
                15_849_039_046_786_891_736,
                10_450_023_813_501_588_000
            ]
        );
    }

    #[test]
    fn the_normal_draws_have_the_moments_of_four_uniforms_added() {
        // Irwin–Hall, n = 4, standardised: variance 1, kurtosis 3 − 6/(5n) = 2.7 (textbook, from memory).
        let mut random = Random::new(7);
        let n = 400_000;
        let (mut m1, mut m2, mut m4) = (0.0, 0.0, 0.0);
        for _ in 0..n {
            let x = random.normal();
            assert!(x.abs() < 3.47);
            m1 += x;
            m2 += x * x;
            m4 += x * x * x * x;
        }
        let n = f64::from(n);
        assert!((m1 / n).abs() < 4.0 / n.sqrt(), "mean {}", m1 / n);
        assert!((m2 / n - 1.0).abs() < 0.01, "variance {}", m2 / n);
        assert!((m4 / n - 2.7).abs() < 0.05, "kurtosis {}", m4 / n);
    }
}
