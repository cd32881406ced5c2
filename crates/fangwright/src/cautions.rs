//! The usual cautions, in one place.

/// After every `--help`.
pub const HELP: &str = "Decision support for trained practitioners. Not medical advice, and no substitute for training, \
a licence or local law, which come first. Herbs can hurt: what is not known here is not checked, never \"safe\".";

/// At the end of output.
pub const SHORT: &str = "Decision support for trained practitioners, not medical advice; local law and licensed practice \
come first. Doses, interactions, pregnancy and toxicity were not checked here. What is unknown is not checked, never safe.";

/// At the end of a check.
pub const CHECK: &str = "Decision support for trained practitioners, not medical advice; local law and licensed practice \
come first. Only what is listed under \"Looked at\" was looked at, by rules that can be wrong and are never whole. What is \
unknown is not checked, and no finding does not mean no harm.";

/// Where no red flag was raised.
pub const FLAGS: &str = "No words of a red flag were read. About one warning in five is worded so that this program does not know it: \
ask, and refer when in doubt.";
