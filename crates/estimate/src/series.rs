//! Owns the few functions whose plain form loses digits by subtraction, each with a series where it would.
//!
//! A removal likelihood is the small difference of large terms: with counts of 10^9 the plain formulas
//! keep no digit of the answer. Every function here is the part left over after the large terms have
//! been cancelled on paper.

/// Langevin function `coth(y) - 1/y`, for `y > 0`. Rises from 0 to 1.
pub(crate) fn langevin(y: f64) -> f64 {
    if y < 0.3 {
        // y/3 - y^3/45 + 2y^5/945 - y^7/4725 + 2y^9/93555 - 1382y^11/638512875 + 4y^13/18243225;
        // the next term is below 2e-17 of the first at y = 0.3.
        let y2 = y * y;
        y * (1.0 / 3.0
            + y2 * (-1.0 / 45.0
                + y2 * (2.0 / 945.0
                    + y2 * (-1.0 / 4725.0
                        + y2 * (2.0 / 93_555.0
                            + y2 * (-1382.0 / 638_512_875.0 + y2 * (4.0 / 18_243_225.0)))))))
    } else {
        1.0 / libm::tanh(y) - 1.0 / y
    }
}

/// Terms of the two power series below: with all of them the next is below 1e-18 of the first at `u = 0.1`, with
/// half of them at `u = 0.01`.
const TERMS: usize = 17;

/// `1 / (n (n - 1))` and `1 / n` from `n = 2` on.
const DEFICIT: [f64; TERMS] = reciprocals(true);
const LOG1P_MINUS: [f64; TERMS] = reciprocals(false);

const fn reciprocals(of_pairs: bool) -> [f64; TERMS] {
    let (mut terms, mut place, mut n) = ([0.0; TERMS], 0, 2.0);
    while place < TERMS {
        terms[place] = if of_pairs {
            1.0 / (n * (n - 1.0))
        } else {
            1.0 / n
        };
        (place, n) = (place + 1, n + 1.0);
    }
    terms
}

/// `u^2` times the power series, for `u` up to 0.1 either way.
fn from_second(u: f64, terms: &[f64; TERMS]) -> f64 {
    let enough = if u.abs() < 0.01 { TERMS / 2 + 1 } else { TERMS };
    let first_last = terms.iter().take(enough).rev();
    u * u * first_last.fold(0.0, |sum, term| sum * u + term)
}

/// `(1 - u) ln(1 - u) + u`, for `0 <= u <= 1`. Rises from 0 to 1, as `u^2 / 2` at first.
pub(crate) fn deficit(u: f64) -> f64 {
    if u < 0.1 {
        // sum over n >= 2 of u^n / (n (n - 1))
        from_second(u, &DEFICIT)
    } else if u < 1.0 {
        (1.0 - u) * libm::log1p(-u) + u
    } else {
        1.0
    }
}

/// `ln(1 + u) - u`, for `u >= 0`.
pub(crate) fn log1p_minus(u: f64) -> f64 {
    if u < 0.1 {
        // sum over n >= 2 of (-1)^(n+1) u^n / n
        -from_second(-u, &LOG1P_MINUS)
    } else {
        libm::log1p(u) - u
    }
}

/// `ln gamma(z) - ln gamma(z + d)`, for `z > 0` and `d >= 0`, without subtracting the two large logarithms.
///
/// With Stirling's formula and `z' = z + d` it is `-d ln z' + z ln(z/z') + d - ln(z/z')/2` and the
/// difference of the two remainders. What the middle terms lose to each other is a rounding of `d`, no more than
/// the first term brings.
pub(crate) fn ln_gamma_drop(z: f64, d: f64) -> f64 {
    let above = z + d;
    let share = d / above;
    let ratio = if share < 0.5 {
        libm::log1p(-share)
    } else {
        libm::log(z / above)
    };
    gamma_remainder(z) - gamma_remainder(above) - d * libm::log(above) + (z * ratio + d)
        - 0.5 * ratio
}

/// What Stirling's formula for the gamma function leaves out:
/// `ln gamma(z) - [(z - 1/2) ln z - z + ln(2 pi) / 2]`, for `z > 0`.
fn gamma_remainder(z: f64) -> f64 {
    if z < 16.0 {
        libm::lgamma(z) - ((z - 0.5) * libm::log(z) - z + HALF_LN_TWO_PI)
    } else {
        remainder_series(z)
    }
}

/// What Stirling's formula leaves out: `ln n! - [(n + 1/2) ln n - n + ln(2 pi) / 2]`, for `n >= 1`.
pub(crate) fn stirling_remainder(n: f64) -> f64 {
    if n < 16.0 {
        libm::lgamma(n + 1.0) - ((n + 0.5) * libm::log(n) - n + HALF_LN_TWO_PI)
    } else {
        remainder_series(n)
    }
}

/// `1/12n - 1/360n^3 + 1/1260n^5 - 1/1680n^7 + 1/1188n^9`; the next term is below 1e-16 at 16.
fn remainder_series(n: f64) -> f64 {
    let r = 1.0 / n;
    let r2 = r * r;
    r * (1.0 / 12.0
        + r2 * (-1.0 / 360.0 + r2 * (1.0 / 1260.0 + r2 * (-1.0 / 1680.0 + r2 / 1188.0))))
}

/// `ln(2 pi) / 2`.
pub(crate) const HALF_LN_TWO_PI: f64 = 0.918_938_533_204_672_8;

#[cfg(test)]
mod tests {
    use super::*;

    fn near(here: f64, there: f64) {
        assert!(
            (here - there).abs() <= 1e-14 * there.abs().max(0.1),
            "{here} {there}"
        );
    }

    /// Values by 60-digit decimal arithmetic outside this crate, on both sides of every change of form.
    #[test]
    fn series_and_plain_forms_meet_the_sixty_digit_values() {
        for (y, value) in [
            (0.001, 0.000_333_333_311_111_113_2),
            (0.1, 0.033_311_132_253_989_61),
            (0.29, 0.096_128_993_672_641_98),
            (0.31, 0.102_677_312_522_707_63),
            (2.0, 0.537_314_720_727_548),
            (30.0, 0.966_666_666_666_666_7),
        ] {
            near(langevin(y), value);
        }
        for (u, short, log) in [
            (0.0001, 5.000_166_675_000_5e-9, -4.999_666_691_664_667e-9),
            (
                0.05,
                0.001_271_370_331_826_993_1,
                -0.001_209_835_830_567_997,
            ),
            (
                0.099,
                0.005_070_730_742_206_977,
                -0.004_599_324_578_515_689_5,
            ),
            (
                0.101,
                0.005_281_452_185_045_415_5,
                -0.004_781_142_259_457_089,
            ),
            (0.5, 0.153_426_409_720_027_36, -0.094_534_891_891_835_62),
            (0.999, 0.992_092_244_721_017_9, -0.306_352_944_481_737),
        ] {
            near(deficit(u), short);
            near(log1p_minus(u), log);
        }
        for (n, value) in [
            (1.0, 0.081_061_466_795_327_26),
            (5.0, 0.016_644_691_189_821_193),
            (15.0, 0.005_554_733_551_962_801),
            (16.0, 0.005_207_655_919_609_640_4),
            (17.0, 0.004_901_395_948_434_738),
            (10_000.0, 8.333_333_330_555_555e-6),
        ] {
            assert!((stirling_remainder(n) - value).abs() < 2e-14, "{n}");
        }
        near(deficit(1.0), 1.0);
    }
}
