//! Pages of the manual: what `clap_mangen` makes of the commands, with the examples line by line as they are typed.

use clap::Command;
use clap::builder::Resettable;
use clap_mangen::roff::{Roff, bold, roman};

/// A page and the name of its file.
pub(super) struct Page {
    /// `proofstand-accept.1`.
    pub(super) file: String,
    /// The page in the language of man(7).
    pub(super) text: Vec<u8>,
}

/// A page for the program, and one for each verb.
///
/// # Errors
/// None in practice: what is written is memory.
pub(super) fn pages(program: Command) -> std::io::Result<Vec<Page>> {
    let mut program = program.disable_help_subcommand(true);
    program.build();
    let mut pages = Vec::new();
    add(program, &mut pages)?;
    Ok(pages)
}

fn add(command: Command, pages: &mut Vec<Page>) -> std::io::Result<()> {
    for verb in command.get_subcommands().filter(|verb| !verb.is_hide_set()) {
        add(verb.clone(), pages)?;
    }
    let after = command.get_after_long_help().or(command.get_after_help()).map(ToString::to_string);
    // `clap_mangen` would fill the examples like prose.
    let man = clap_mangen::Man::new(command.after_help(Resettable::Reset).after_long_help(Resettable::Reset));
    let mut text = Vec::new();
    man.render(&mut text)?;
    let text = String::from_utf8_lossy(&text);
    let (head, body) = text.split_at(text.find("\n.SH").map_or(text.len(), |at| at + 1));
    // Not hyphenated, since an option broken in two can't be typed, and not spread to the right edge.
    let page = format!("{head}.nh\n.ad l\n{body}{}", after.map_or(String::new(), |after| sections(&after)));
    pages.push(Page { file: man.get_filename(), text: page.into_bytes() });
    Ok(())
}

/// What stands after the options: a heading ends with a colon, a line that is set in is typed, what is set in further
/// says what it does, all else is prose.
fn sections(after: &str) -> String {
    let mut roff = Roff::new();
    let mut goes_on = false;
    let mut described = false;
    for line in after.lines() {
        let indent = line.len() - line.trim_start().len();
        let typed = goes_on || (1..6).contains(&indent);
        if described && (typed || indent < 6) {
            roff.control("RE", []);
            described = false;
        }
        match line.trim() {
            "" => {
                roff.control("PP", []);
            }
            heading if indent == 0 && heading.ends_with(':') => {
                roff.control("SH", [heading.trim_end_matches(':').to_uppercase().as_str()]);
            }
            text if typed => {
                roff.control("nf", []).text([bold(line.trim_end())]).control("fi", []);
                goes_on = text.ends_with('\\');
            }
            text if indent >= 6 => {
                if described {
                    roff.control("br", []);
                } else {
                    roff.control("RS", ["6"]);
                }
                described = true;
                roff.text([roman(text)]);
            }
            text => {
                // An example beside its heading, as `Exit code 0: calibrated`, is prose too.
                roff.text([roman(text)]);
            }
        }
    }
    if described {
        roff.control("RE", []);
    }
    roff.to_roff()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn examples_keep_their_lines_and_what_they_do_is_filled() {
        let shown = sections("Examples:\n  do --a-b x \\\n      --more\n      Does it.\n\nThe end.");
        assert_eq!(
            shown,
            ".SH EXAMPLES\n.nf\n\\fB  do \\-\\-a\\-b x \\\\\\fR\n.fi\n.nf\n\\fB      \\-\\-more\\fR\n.fi\n.RS 6\nDoes it.\n.RE\n\
             .PP\nThe end.\n"
        );
    }
}
