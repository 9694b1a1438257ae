//! Conjugate gradients (Hestenes and Stiefel 1952) for sparse symmetric positive definite systems with three right-hand
//! sides at once; sums run in index order, so the result is the same on any number of threads.

use glam::DVec3;

/// When to stop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    pub rounds: usize,
    /// Length of the residual over that of the first residual.
    pub tolerance: f64,
}

fn dot(a: &[DVec3], b: &[DVec3]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x.dot(*y)).sum()
}

/// Improves `x` towards `A x = b`; `apply` writes `A x`, `diagonal` holds the diagonal of `A` (all above zero).
pub fn conjugate_gradients(
    apply: impl Fn(&[DVec3], &mut [DVec3]),
    diagonal: &[f64],
    b: &[DVec3],
    x: &mut [DVec3],
    limits: Limits,
) {
    let scaled = |r: &[DVec3]| -> Vec<DVec3> { r.iter().zip(diagonal).map(|(r, d)| *r / *d).collect() };
    let mut image = vec![DVec3::ZERO; b.len()];
    apply(x, &mut image);
    let mut residual: Vec<DVec3> = b.iter().zip(&image).map(|(b, ax)| *b - *ax).collect();
    let mut step = scaled(&residual);
    let mut energy = dot(&residual, &step);
    let goal = energy * limits.tolerance * limits.tolerance;
    for _ in 0..limits.rounds {
        if energy <= goal || energy <= 0.0 {
            return;
        }
        apply(&step, &mut image);
        let length = energy / dot(&step, &image);
        if !length.is_finite() {
            return;
        }
        for (i, x) in x.iter_mut().enumerate() {
            *x += step[i] * length;
            residual[i] -= image[i] * length;
        }
        let next = scaled(&residual);
        let next_energy = dot(&residual, &next);
        let turn = next_energy / energy;
        step.iter_mut().zip(&next).for_each(|(s, n)| *s = *n + *s * turn);
        energy = next_energy;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chain_of_springs_hangs_straight_between_its_ends() {
        let n = 50;
        let apply = |x: &[DVec3], y: &mut [DVec3]| {
            for i in 0..n {
                let left = if i > 0 { x[i - 1] } else { DVec3::ZERO };
                let right = if i + 1 < n { x[i + 1] } else { DVec3::ZERO };
                y[i] = x[i] * 2.0 - left - right;
            }
        };
        let mut b = vec![DVec3::ZERO; n];
        b[n - 1] = DVec3::new(51.0, 102.0, 0.0);
        let mut x = vec![DVec3::ZERO; n];
        conjugate_gradients(apply, &vec![2.0; n], &b, &mut x, Limits { rounds: 200, tolerance: 1e-12 });
        for (i, x) in x.iter().enumerate() {
            let at = (i + 1) as f64;
            assert!((*x - DVec3::new(at, 2.0 * at, 0.0)).length() < 1e-8);
        }
    }
}
