//! How wide letters are, generously, and where lines of text break.

/// Width of a text in a sans-serif face, millimetres, for a size (height of an em) in millimetres.
///
/// Estimated high: an advance of 0.56 em is usual for digits and lower case of the common faces, capitals have up to
/// 0.78 em, M, W and the like up to 0.95 em, East Asian letters 1 em (*common practice, no source*; held against a
/// browser's own boxes by eye).
pub(super) fn width(text: &str, size: f64, bold: bool) -> f64 {
    let ems: f64 = text.chars().map(ems).sum();
    ems * size * if bold { 1.08 } else { 1.0 }
}

const fn ems(c: char) -> f64 {
    match c {
        'M' | 'W' | 'm' | 'w' | '@' | '%' => 0.95,
        'A'..='Z' => 0.78,
        ' ' | '.' | ',' | ';' | ':' | '\'' | 'i' | 'l' | 'j' | '|' | '!' => 0.36,
        '\u{20}'..='\u{2FF}' | '\u{2013}' | '\u{2212}' => 0.6,
        '\u{300}'..='\u{36F}' => 0.0,
        '\u{370}'..='\u{10FF}' => 0.85,
        _ => 1.08,
    }
}

/// Breaks a text at spaces, and within a word only where the word alone is too long.
pub(super) fn wrap(text: &str, most: f64, size: f64, bold: bool) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let joined = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if width(&joined, size, bold) <= most {
            line = joined;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for c in word.chars() {
            line.push(c);
            if width(&line, size, bold) > most && line.chars().count() > 1 {
                line.pop();
                lines.push(std::mem::replace(&mut line, c.to_string()));
            }
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_wider_than_asked_and_no_letter_is_lost() {
        for text in
            ["a terminal label of many words", "WWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWW", "端子台端子台端子台端子台"]
        {
            let lines = wrap(text, 26.0, 2.6, false);
            assert!(lines.iter().all(|line| width(line, 2.6, false) <= 26.0), "{lines:?}");
            let letters = |text: &str| text.chars().filter(|c| !c.is_whitespace()).collect::<String>();
            assert_eq!(letters(&lines.concat()), letters(text));
        }
        assert!(wrap("  ", 10.0, 3.0, false).is_empty());
    }
}
