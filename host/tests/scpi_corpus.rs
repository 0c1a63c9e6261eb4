//! The fuzzer's corpus of meters' answers, and answers spoiled at every place, replayed on the stable compiler.

#[path = "../fuzz/checks.rs"]
mod checks;

use proptest::prelude::*;

#[test]
fn every_file_of_the_corpus_of_answers_gives_readings_or_a_reason() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/fuzz/corpus/scpi");
    let mut files = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        let bytes = std::fs::read(entry.unwrap().path()).unwrap();
        checks::scpi(&bytes);
        for at in 0..bytes.len() {
            for byte in [0, b'\n', 0x1b, b',', 0xff, b'9'] {
                let mut spoilt = bytes.clone();
                spoilt[at] = byte;
                checks::scpi(&spoilt);
            }
            checks::scpi(&bytes[..at]);
        }
        files += 1;
    }
    assert!(files >= 15, "the corpus has {files} files");
}

proptest! {
    #[test]
    fn any_bytes_give_readings_or_a_reason(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        checks::scpi(&bytes);
    }
}
