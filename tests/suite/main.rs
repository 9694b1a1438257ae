//! All tests in one binary.
#![allow(clippy::unwrap_used)]

mod wrap;
