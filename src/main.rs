//! The program: parse, run, tell, end with a status. Everything else is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    lowspot::cli::run()
}
