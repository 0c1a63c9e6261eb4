//! Files that a person names to be written: nothing of somebody else's is written over.
//!
//! What is there already is replaced only where it is of the same kind, a link is not followed, and what a verb reads
//! is never what it writes. Whatever goes into a run's folder goes through [`crate::record::put`] instead.

use std::fs::File;
use std::io::{ErrorKind, Read as _};
use std::path::Path;

/// So much of a file shows what it is.
const HEAD: u64 = 4096;

/// What a file holds, told by its beginning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// Scalable Vector Graphics.
    Svg,
    /// A page of the manual, for `man`.
    ManualPage,
}

impl Kind {
    const fn words(self) -> &'static str {
        match self {
            Self::Svg => "an SVG drawing",
            Self::ManualPage => "a manual page",
        }
    }

    /// Whether a file that begins so is of this kind.
    fn begins(self, head: &[u8]) -> bool {
        let text = String::from_utf8_lossy(head);
        match self {
            Self::Svg => is_svg(&text),
            // Macros of man(7) and of mdoc(7) that a page opens with.
            Self::ManualPage => text.lines().any(|line| line.starts_with(".TH ") || line.starts_with(".Dd ")),
        }
    }
}

/// Declaration, comments and document type of XML 1.0, then the root element `svg`.
fn is_svg(text: &str) -> bool {
    let mut rest = text.trim_start_matches('\u{FEFF}').trim_start();
    for _ in 0..20 {
        let end = match rest {
            _ if rest.starts_with("<?") => "?>",
            _ if rest.starts_with("<!--") => "-->",
            _ if rest.starts_with("<!DOCTYPE") => ">",
            _ => break,
        };
        let Some((_, after)) = rest.split_once(end) else { return false };
        rest = after.trim_start();
    }
    let Some(rest) = rest.strip_prefix("<svg") else { return false };
    rest.starts_with(|c: char| c.is_whitespace() || c == '>')
}

/// Whether a file may be written: it is none of `read`, by whatever spelling, and what is there is of the same kind.
///
/// # Errors
/// A message: which file, why not, what to do.
pub(super) fn is_free(path: &Path, kind: Kind, read: &[&Path]) -> Result<(), String> {
    let shown = path.display();
    if let Some(same) = read.iter().find(|other| same_file::is_same_file(path, other).unwrap_or(false)) {
        return Err(format!(
            "{shown}: this is {} itself, which is read and never written over; name another file",
            same.display()
        ));
    }
    let found = match path.symlink_metadata() {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(format!("{shown}: {error}")),
        Ok(found) => found,
    };
    if found.is_symlink() {
        return Err(format!(
            "{shown}: is a link, and links are not followed; name the file that it leads to"
        ));
    }
    if !found.is_file() {
        return Err(format!("{shown}: is there and is no file; name another"));
    }
    let mut head = Vec::new();
    File::open(path)
        .and_then(|file| file.take(HEAD).read_to_end(&mut head))
        .map_err(|error| format!("{shown}: {error}"))?;
    if kind.begins(&head) {
        return Ok(());
    }
    let words = kind.words();
    Err(format!(
        "{shown}: is there and is not {words}: not written over; name another file, or remove it first"
    ))
}

/// Writes a whole file, replacing what is there only when the new one is complete. Ask [`is_free`] before.
///
/// # Errors
/// The system's.
pub(super) fn write(path: &Path, text: &[u8]) -> std::io::Result<()> {
    // Another spelling of it would be another file, which nobody has looked at.
    let Some(name) = path.file_name().and_then(|name| name.to_str()) else {
        return Err(std::io::Error::new(
            ErrorKind::InvalidInput,
            "no name of a file that can be written as text",
        ));
    };
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    crate::record::put(folder, name, text)
}

/// Whether standard output is none of the files that are read, as after `> axis.toml`.
///
/// # Errors
/// A message: which file, and what to do.
pub(super) fn output_is_apart(read: &[&Path]) -> Result<(), String> {
    // Only files: opening a pipe to look at it would disturb it.
    let files = read.iter().filter(|path| path.metadata().is_ok_and(|found| found.is_file()));
    for path in files {
        let same = same_file::Handle::stdout().and_then(|out| Ok(out == same_file::Handle::from_path(path)?));
        if same.unwrap_or(false) {
            return Err(format!(
                "{}: what is printed would go into this very file, which is read. Name another file. After a single `>` \
                 the shell has emptied it already: take it from its copy",
                path.display()
            ));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_drawing_is_told_from_other_files_by_its_beginning() {
        for svg in [
            "<svg>",
            "<?xml version=\"1.0\"?>\n<svg xmlns=\"x\">",
            "\u{FEFF}<?xml?>\r\n<!-- made by hand -->\n<!DOCTYPE svg PUBLIC \"a\" \"b\">\n<svg\nwidth=\"1\">",
        ] {
            assert!(Kind::Svg.begins(svg.as_bytes()), "{svg}");
        }
        for other in
            ["", "[axis]\ntitle = \"<svg>\"", "<html><svg>", "<?xml?><svgs>", "<?xml <svg>", "<!-- <svg>"]
        {
            assert!(!Kind::Svg.begins(other.as_bytes()), "{other}");
        }
        assert!(Kind::Svg.begins(crate::wiring::Drawing::default().svg("t", "d").as_bytes()));
    }

    #[test]
    fn a_manual_page_is_told_by_its_opening_macro() {
        assert!(Kind::ManualPage.begins(b".ie \\n(.g .ds Aq \\(aq\n.el .ds Aq '\n.TH proofstand 1\n"));
        assert!(!Kind::ManualPage.begins(b"notes of the first day\n"));
    }
}
