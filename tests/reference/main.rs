//! Facts from outside, each with its source, and what the program makes of them.

mod bei_yao;
mod clauses;
mod flags;
mod lin_yi;
mod modify;
mod names;
mod pharmacy;
mod safety;
mod trade;
mod zu_ji;
