//! The program: parse, run, map to an exit code.

mod cli;

fn main() -> std::process::ExitCode {
    cli::main().into()
}
