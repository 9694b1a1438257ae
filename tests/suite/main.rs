//! All tests in one binary.

mod colour;
