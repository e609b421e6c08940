//! Small systems of equations.

/// Solves a real positive definite system for each of its right sides, in place, by Cholesky's decomposition (textbook). `matrix`
/// holds it row by row; of it what is on and below the diagonal is read.
pub fn solve<const N: usize>(matrix: &mut [f64], rights: [&mut [f64]; N]) {
    let num = matrix.len().isqrt();
    for column in 0..num {
        for row in column..num {
            let known: f64 = (0..column).map(|k| matrix[row * num + k] * matrix[column * num + k]).sum();
            let rest = matrix[row * num + column] - known;
            matrix[row * num + column] =
                if row == column { rest.max(1e-12).sqrt() } else { rest / matrix[column * num + column] };
        }
    }
    for right in rights {
        for row in 0..num {
            let known: f64 = (0..row).map(|k| matrix[row * num + k] * right[k]).sum();
            right[row] = (right[row] - known) / matrix[row * num + row];
        }
        for row in (0..num).rev() {
            let known: f64 = (row + 1..num).map(|k| matrix[k * num + row] * right[k]).sum();
            right[row] = (right[row] - known) / matrix[row * num + row];
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_system_is_solved() {
        // By hand: [[4, 2], [2, 3]] x = [2, 5] for x = [-0.5, 2], and = [6, 5] for x = [1, 1].
        let (mut first, mut second) = ([2.0, 5.0], [6.0, 5.0]);
        solve(&mut [4.0, 2.0, 2.0, 3.0], [&mut first, &mut second]);
        for (found, expected) in first.iter().chain(&second).zip([-0.5, 2.0, 1.0, 1.0]) {
            assert!((found - expected).abs() < 1e-12, "{first:?} {second:?}");
        }
    }
}
