//! `completions` and `man`: for the shell, and for the manual.

use clap::CommandFactory as _;

use super::show;
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
#[derive(Debug, clap::Args)]
#[command(after_long_help = "Example:\n  proofstand man ~/.local/share/man/man1 && man proofstand-accept")]
pub struct Man {
    /// Folder to write them into
    #[arg(value_name = "FOLDER")]
    folder: std::path::PathBuf,
}

impl Man {
    /// Writes them.
    #[must_use]
    pub fn run(self) -> Exit {
        let written = std::fs::create_dir_all(&self.folder).and_then(|()| {
            clap_mangen::generate_to(Cli::command().disable_help_subcommand(true), &self.folder)
        });
        match written {
            Ok(()) => Exit::Accepted,
            Err(error) => {
                super::person::tell(&format!("proofstand: {}: {error}", self.folder.display()), true);
                Exit::BadInput
            }
        }
    }
}
