//! The fuzz targets' checks over their committed corpus, with the ordinary compiler.
#![allow(clippy::expect_used, reason = "a test file, its functions without #[test] too")]
#![allow(unreachable_pub, reason = "shared with the fuzz targets")]

#[path = "../fuzz/checks.rs"]
mod checks;

fn replay(target: &str, check: fn(&[u8])) {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(target);
    let mut inputs = 0;
    for entry in std::fs::read_dir(&folder).expect("the corpus is there") {
        let path = entry.expect("an entry").path();
        let input = std::fs::read(&path).expect("a readable file");
        // Whole, and cut at both ends, which makes more inputs of few.
        for cut in 0..input.len().min(64) {
            check(&input[cut..]);
            check(&input[..input.len() - cut]);
        }
        check(&input);
        inputs += 1;
    }
    assert!(inputs >= 6, "{inputs} inputs in {}", folder.display());
}

#[test]
fn the_decoder_stands_its_corpus() {
    replay("decoder", checks::decoder);
}

#[test]
fn messages_stand_their_corpus() {
    replay("message", checks::message);
}
