//! How fast the plant runs.

fn main() {
    divan::main();
}
