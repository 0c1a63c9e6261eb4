//! `completions` and `man`: for the shell, and for the manual.

use clap::CommandFactory as _;

use super::destination::{self, Kind};
use super::{manual, show};
use crate::cli::Cli;
use crate::exit::Exit;

const EXAMPLES: &str = "\
Examples:
  proofstand completions bash > ~/.local/share/bash-completion/completions/proofstand
  proofstand completions zsh > \"${fpath[1]}/_proofstand\"
  proofstand completions fish > ~/.config/fish/completions/proofstand.fish";

/// Print a completion script for a shell
#[derive(Debug, clap::Args)]
#[command(after_long_help = EXAMPLES)]
pub struct Completions {
    /// The shell
    #[arg(value_name = "SHELL")]
    shell: clap_complete::Shell,
}

impl Completions {
    /// Prints it.
    #[must_use]
    pub fn run(self) -> Exit {
        let mut out = Vec::new();
        clap_complete::generate(self.shell, &mut Cli::command(), "proofstand", &mut out);
        show::out(&String::from_utf8_lossy(&out));
        Exit::Accepted
    }
}

/// Write the manual pages, one a verb
///
/// Pages that are there already are replaced; a file that is no manual page is not.
#[derive(Debug, clap::Args)]
#[command(after_long_help = MAN)]
pub struct Man {
    /// Folder to write them into
    #[arg(value_name = "FOLDER")]
    folder: std::path::PathBuf,
}

const MAN: &str = "\
Examples:
  proofstand man pages && man -l pages/proofstand-accept.1
      Into any folder, and one of them read as a file.

  proofstand man ~/.local/share/man/man1
      Where they are read by name: `man proofstand-accept`. If the name is not found, put the folder above man1 \
into the search path: `export MANPATH=~/.local/share/man:` (the colon at the end keeps the system's own pages).";

impl Man {
    /// Writes them, or none where one would take another file's place.
    #[must_use]
    pub fn run(self) -> Exit {
        match self.write() {
            Ok(said) => {
                show::out(&said);
                Exit::Accepted
            }
            Err(why) => {
                super::person::tell(&format!("proofstand: {why}"), true);
                Exit::BadInput
            }
        }
    }

    fn write(&self) -> Result<String, String> {
        let in_folder = |error: std::io::Error| format!("{}: {error}", self.folder.display());
        let pages = manual::pages(Cli::command()).map_err(in_folder)?;
        for page in &pages {
            destination::is_free(&self.folder.join(&page.file), Kind::ManualPage, &[])
                .map_err(|why| format!("{why}\nnothing was written"))?;
        }
        std::fs::create_dir_all(&self.folder).map_err(in_folder)?;
        for page in &pages {
            let path = self.folder.join(&page.file);
            destination::write(&path, &page.text).map_err(|error| format!("{}: {error}", path.display()))?;
        }
        let folder = self.folder.display();
        Ok(format!(
            "{} pages in {folder}. To read one: man -l {folder}/proofstand.1\n`proofstand man --help` says how they are \
             found by name.\n",
            pages.len()
        ))
    }
}
