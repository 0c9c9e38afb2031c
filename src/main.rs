//! The program: one binary for service and commands.

use std::process::ExitCode;

fn main() -> ExitCode {
    let mut args = std::env::args_os().skip(1).peekable();
    if args
        .peek()
        .is_some_and(|first| first == restvolt::cluster::guard::SUBCOMMAND)
    {
        return restvolt::cluster::guard::main(args.skip(1));
    }
    restvolt::cli::main()
}
