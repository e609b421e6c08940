//! The windowed sinc, and the sum of products that reads with it.

/// Sum of products, as far as both reach. Inlined, so that it takes the vector registers that its caller does.
#[inline(always)]
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    let len = a.len().min(b.len());
    let (a, b) = (a[..len].chunks_exact(8), b[..len].chunks_exact(8));
    let rest: f32 = a.remainder().iter().zip(b.remainder()).map(|(a, b)| a * b).sum();
    // Eight running sums let the compiler use vector registers.
    let mut sums = [0.0f32; 8];
    for (a, b) in a.zip(b) {
        for ((sum, a), b) in sums.iter_mut().zip(a).zip(b) {
            *sum += a * b;
        }
    }
    sums.iter().sum::<f32>() + rest
}

/// sinc(t) under a Kaiser window that reaches zero weight beyond +-`half` samples.
pub fn windowed_sinc(t: f64, half: f64, beta: f64) -> f64 {
    let inside = 1.0 - (t / half).powi(2);
    if inside < 0.0 {
        return 0.0;
    }
    let x = std::f64::consts::PI * t;
    let sinc = if t.abs() < 1e-12 { 1.0 } else { x.sin() / x };
    sinc * bessel_i0(beta * inside.sqrt()) / bessel_i0(beta)
}

/// Modified Bessel function of order zero, by its power series (Abramowitz & Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term, mut k) = (1.0, 1.0, 1.0);
    while term > 1e-17 * sum {
        term *= (x / (2.0 * k)).powi(2);
        sum += term;
        k += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of any length, and as far as the shorter one reaches: sums of the first squares, n (n + 1) (2n + 1) / 6, which a
    /// float holds exactly.
    #[test]
    fn every_product_is_in_the_sum() {
        let numbers: Vec<f32> = (1..=19).map(|n| n as f32).collect();
        for n in [0, 1, 7, 8, 9, 16, 19] {
            let sum = (n * (n + 1) * (2 * n + 1) / 6) as f32;
            assert_eq!(dot(&numbers[..n], &numbers), sum, "{n}");
            assert_eq!(dot(&numbers, &numbers[..n]), sum, "{n}");
        }
    }
}
