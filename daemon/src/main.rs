//! The binary: one TLS provider, then the command line.

use std::process::ExitCode;

fn main() -> ExitCode {
    // The only TLS provider in the program; a second call would be an error, there is none.
    let _ = rustls::crypto::ring::default_provider().install_default();
    doughwarden::cli::main()
}
