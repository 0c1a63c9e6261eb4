//! The fuzzer's corpus, and sheets spoiled at every place, replayed on the stable compiler.

#[path = "../fuzz/checks.rs"]
mod checks;

#[test]
fn every_file_of_the_corpus_is_taken_or_refused_with_a_message() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/fuzz/corpus/sheet");
    let mut files = 0;
    for entry in std::fs::read_dir(folder).unwrap() {
        checks::sheet(&std::fs::read(entry.unwrap().path()).unwrap());
        files += 1;
    }
    assert!(files >= 13, "the corpus has {files} files");
}

#[test]
fn a_sheet_cut_off_anywhere_or_with_any_line_missing_is_taken_or_refused_with_a_message() {
    let text = include_str!("../sheets/film-winder.toml");
    for end in (0..text.len()).step_by(7) {
        checks::sheet(&text.as_bytes()[..end]);
    }
    let lines: Vec<_> = text.lines().collect();
    for missing in 0..lines.len() {
        let rest: Vec<_> =
            lines.iter().enumerate().filter(|(at, _)| *at != missing).map(|(_, line)| *line).collect();
        checks::sheet(rest.join("\n").as_bytes());
    }
}

#[test]
fn a_sheet_with_bytes_exchanged_is_taken_or_refused_with_a_message() {
    let text = include_bytes!("../sheets/bare-rotor.toml");
    // Numerical Recipes' 64-bit linear congruential generator: the same bytes on every machine.
    let mut state = 1_u64;
    let mut next = move |below: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as usize % below
    };
    let tokens: [&[u8]; 12] =
        [b"0", b"-", b"\"", b"[", b"]", b"=", b"nan", b"inf", b"1e308", b"\n", b"\xC3\xA4", b"\x1b"];
    for _ in 0..2000 {
        let mut bytes = text.to_vec();
        for _ in 0..=next(3) {
            let at = next(bytes.len());
            let end = (at + next(3)).min(bytes.len());
            bytes.splice(at..end, tokens[next(tokens.len())].iter().copied());
        }
        checks::sheet(&bytes);
    }
}
