//! The command line: one file a command; parsing, exit codes, one line for each error.
