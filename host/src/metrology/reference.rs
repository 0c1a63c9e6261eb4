//! Reads the published check values in `tests/reference/`.

use std::path::PathBuf;

fn path(name: &str) -> PathBuf {
    [env!("CARGO_MANIFEST_DIR"), "..", "tests", "reference", name].iter().collect()
}

/// A TOML file of the reference folder.
pub(crate) fn toml(name: &str) -> toml::Table {
    std::fs::read_to_string(path(name)).unwrap().parse().unwrap()
}

/// The rows of a CSV file of the reference folder, without the header.
pub(crate) fn rows(name: &str) -> Vec<Vec<String>> {
    let mut reader = csv::Reader::from_path(path(name)).unwrap();
    reader.records().map(|row| row.unwrap().iter().map(str::to_owned).collect()).collect()
}

/// The columns of a CSV file of numbers.
pub(crate) fn columns(name: &str) -> Vec<Vec<f64>> {
    let rows = rows(name);
    (0..rows[0].len()).map(|c| rows.iter().map(|row| row[c].parse().unwrap()).collect()).collect()
}

/// A number, also where the file keeps it as text for its digits.
pub(crate) fn number(value: &toml::Value) -> f64 {
    match value {
        toml::Value::String(text) => text.parse().unwrap(),
        toml::Value::Integer(whole) => *whole as f64,
        other => other.as_float().unwrap(),
    }
}

/// Correct decimal digits of `computed`: −log₁₀ of the relative error, at most 15.
pub(crate) fn digits(computed: f64, certified: f64) -> f64 {
    let error = ((computed - certified) / certified).abs();
    if error < 1e-15 { 15.0 } else { -error.log10() }
}
