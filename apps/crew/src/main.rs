//! The device program `gravelbar`.

use std::process::ExitCode;

fn main() -> ExitCode {
    gravelbar_crew::main()
}
