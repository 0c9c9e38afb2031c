//! `man`: the manual pages, made from what `--help` says.

use std::fs;
use std::path::PathBuf;

use anyhow::Context as _;
use clap::CommandFactory as _;
use clap_mangen::Man;

use super::{Done, print};

/// Write the manual: a page a command, or one page to standard output.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  restvolt man | man -l -                     read the page of the program
  restvolt man --folder ~/.local/share/man/man1   write every page there")]
pub(super) struct Arguments {
    /// Write restvolt.1, restvolt-serve.1 and so on into this folder; made when new.
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
}

pub(super) fn run(arguments: &Arguments) -> anyhow::Result<Done> {
    let mut program = super::Arguments::command();
    program.build();
    let Some(folder) = &arguments.folder else {
        let mut page = Vec::new();
        Man::new(program).render(&mut page)?;
        print(&String::from_utf8(page)?)?;
        return Ok(Done::All);
    };
    fs::create_dir_all(folder)
        .with_context(|| format!("cannot make the folder {}", folder.display()))?;
    pages(program, "restvolt", folder)?;
    Ok(Done::All)
}

/// The page of a command and those of its subcommands.
fn pages(command: clap::Command, name: &str, folder: &std::path::Path) -> anyhow::Result<()> {
    let below: Vec<clap::Command> = command
        .get_subcommands()
        .filter(|below| !below.is_hide_set() && below.get_name() != "help")
        .cloned()
        .collect();
    for command in below {
        let name = format!("{name}-{}", command.get_name());
        pages(command, &name, folder)?;
    }
    let mut page = Vec::new();
    Man::new(command.display_name(name.to_owned())).render(&mut page)?;
    let file = folder.join(format!("{name}.1"));
    fs::write(&file, page).with_context(|| format!("cannot write {}", file.display()))?;
    print(&file.display().to_string())
}
