//! The few pieces of matrix algebra beneath the fits: orthogonal columns, triangles, the root of a covariance.
//!
//! Plain numbers. A matrix is a list of columns where it holds a model's columns, of rows where it holds anything else.

use super::error::MetrologyError;

/// Rows, or columns, of numbers.
type Matrix = Vec<Vec<f64>>;

/// Sum of products.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Orthonormal columns and the upper triangle R with columns = Q·R, by modified Gram–Schmidt done twice, which is as orthogonal
/// as Householder's ("twice is enough", Giraud et al. 2005). None where a column is all but a sum of those before it: where no
/// more than the share `least` of its length is its own.
pub(super) fn orthonormal(columns: &[Vec<f64>], least: f64) -> Option<(Matrix, Matrix)> {
    let terms = columns.len();
    let mut q: Vec<Vec<f64>> = Vec::with_capacity(terms);
    let mut r = vec![vec![0.0; terms]; terms];
    for (j, column) in columns.iter().enumerate() {
        let mut v = column.clone();
        let before = dot(&v, &v).sqrt();
        for _ in 0..2 {
            for (i, q) in q.iter().enumerate() {
                let part = dot(q, &v);
                r[i][j] += part;
                for (v, q) in v.iter_mut().zip(q) {
                    *v -= part * q;
                }
            }
        }
        let length = dot(&v, &v).sqrt();
        if length <= least * before {
            return None;
        }
        r[j][j] = length;
        q.push(v.iter().map(|v| v / length).collect());
    }
    Some((q, r))
}

/// Solves R·x = y for an upper triangle.
pub(super) fn backward(r: &[Vec<f64>], y: &[f64]) -> Vec<f64> {
    let n = y.len();
    let mut x = vec![0.0; n];
    for i in (0..n).rev() {
        let known: f64 = (i + 1..n).map(|j| r[i][j] * x[j]).sum();
        x[i] = (y[i] - known) / r[i][i];
    }
    x
}

/// Solves L·x = y for a lower triangle.
pub(super) fn forward(l: &[Vec<f64>], y: &[f64]) -> Vec<f64> {
    let mut x: Vec<f64> = Vec::with_capacity(y.len());
    for (row, y) in l.iter().zip(y) {
        let known: f64 = row.iter().zip(&x).map(|(l, x)| l * x).sum();
        let i = x.len();
        x.push((y - known) / row[i]);
    }
    x
}

/// The lower triangle L with V = L·Lᵀ.
#[allow(clippy::needless_range_loop, reason = "matrix algebra reads best by its indices")]
pub(super) fn cholesky(
    what: &'static str,
    v: &[Vec<f64>],
    n: usize,
) -> Result<Vec<Vec<f64>>, MetrologyError> {
    if v.len() != n || v.iter().any(|row| row.len() != n) {
        return Err(MetrologyError::LengthsDiffer { what, left: n, right: v.len() });
    }
    let mut l = vec![vec![0.0; n]; n];
    for i in 0..n {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|k| l[i][k] * l[j][k]).sum();
            if i == j {
                let pivot = v[i][i] - sum;
                if pivot.is_nan() || pivot <= 0.0 {
                    return Err(MetrologyError::BadValue { what: "covariance", index: i, value: v[i][i] });
                }
                l[i][i] = pivot.sqrt();
            } else {
                l[i][j] = (v[i][j] - sum) / l[j][j];
            }
        }
    }
    Ok(l)
}

/// The inverse of an upper triangle.
#[allow(clippy::needless_range_loop, reason = "matrix algebra reads best by its indices")]
pub(super) fn inverse_upper(r: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let n = r.len();
    let mut inverse = vec![vec![0.0; n]; n];
    for column in 0..n {
        for row in (0..=column).rev() {
            let identity = if row == column { 1.0 } else { 0.0 };
            let known: f64 = (row + 1..=column).map(|k| r[row][k] * inverse[k][column]).sum();
            inverse[row][column] = (identity - known) / r[row][row];
        }
    }
    inverse
}

#[cfg(test)]
mod tests {
    use super::*;

    const COLUMNS: [[f64; 4]; 3] = [[1.0, 1.0, 1.0, 1.0], [0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 4.0, 9.0]];

    #[test]
    fn columns_come_back_as_the_product_of_their_parts_and_a_triangle_times_its_inverse_is_one() {
        let columns: Vec<Vec<f64>> = COLUMNS.iter().map(|c| c.to_vec()).collect();
        let (q, r) = orthonormal(&columns, 1e-13).unwrap();
        for (j, column) in columns.iter().enumerate() {
            for (i, value) in column.iter().enumerate() {
                let product: f64 = (0..3).map(|k| q[k][i] * r[k][j]).sum();
                assert!((product - value).abs() < 1e-14, "{j} {i}");
            }
        }
        let inverse = inverse_upper(&r);
        for i in 0..3 {
            for j in 0..3 {
                let want = f64::from(u8::from(i == j));
                assert!(((0..3).map(|k| r[i][k] * inverse[k][j]).sum::<f64>() - want).abs() < 1e-14);
                assert!((dot(&q[i], &q[j]) - want).abs() < 1e-14);
            }
        }
        assert!(orthonormal(&[columns[0].clone(), vec![2.0; 4]], 1e-13).is_none());
    }

    #[test]
    fn the_root_of_a_covariance_squared_is_the_covariance() {
        let v = vec![vec![4.0, 2.0], vec![2.0, 5.0]];
        // By hand: L = (2 0; 1 2).
        assert_eq!(cholesky("v", &v, 2).unwrap(), vec![vec![2.0, 0.0], vec![1.0, 2.0]]);
        assert!(cholesky("v", &[vec![1.0, 2.0], vec![2.0, 1.0]], 2).is_err(), "no covariance");
    }
}
