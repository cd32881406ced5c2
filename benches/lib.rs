//! Inputs that the benches share.
