//! The command line: thin commands over the crates.

mod batch;
mod book;
mod cautions;
mod check;
mod clinic;
mod demo;
mod dispense;
mod fit;
mod output;
mod own;
mod parquet_in;
mod render;
mod run;
mod shelf;

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

/// Workbench for practitioners of Chinese herbal medicine.
///
/// Reads a prescription in any script, names the formula it is built on, shows what was added, taken out, swapped and
/// re-dosed, and says why each change fits or works against the base.
#[derive(Parser)]
#[command(name = "fangwright", version, after_help = cautions::HELP, arg_required_else_help = true)]
struct Cli {
    #[command(flatten)]
    common: Common,
    #[command(subcommand)]
    command: Command,
}

#[derive(Args, Clone)]
struct Common {
    /// Print JSON in a documented, versioned shape (see docs/json.md) instead of text.
    #[arg(long, global = true)]
    json: bool,
    /// Folder with your own records (default: `fangwright` in the XDG data directory, if it exists).
    #[arg(long, global = true, value_name = "DIR")]
    data: Option<PathBuf>,
    /// How to weigh the measures of an era, such as `han-15.6`; may be given once an era. `measure --list` shows all.
    #[arg(long, global = true, value_name = "ID")]
    convention: Vec<String>,
    /// The era in whose measures a prescription is written: han, tang, song, yuan, ming, qing; modern where nothing is said.
    #[arg(long, global = true, value_name = "ERA")]
    era: Option<String>,
    /// A file with safety rules of your own; may be given more than once.
    #[arg(long, global = true, value_name = "FILE")]
    rules: Vec<PathBuf>,
}

#[derive(Subcommand)]
enum Command {
    /// Show the whole job on invented prescriptions.
    Demo {
        /// Write the family pictures into this folder as well.
        #[arg(long, value_name = "DIR")]
        pictures: Option<PathBuf>,
    },
    /// Read a prescription: from a file, from `-` (standard input), or given as words.
    Read {
        #[command(flatten)]
        input: Input,
    },
    /// Find the formulas a prescription is built on, and give each change its reason.
    Trace {
        #[command(flatten)]
        input: Input,
        /// Pattern the prescription is written for (an id of `patterns`); may be given more than once.
        #[arg(long = "for", value_name = "PATTERN")]
        patterns: Vec<String>,
        /// Leave out formulas with exactly these substances, so that a known formula is traced to what stands behind it.
        #[arg(long)]
        behind: bool,
    },
    /// Check a prescription for everything that could hurt. Exit code 3: a finding of the upper two severities stands.
    Check(Box<check::CheckArgs>),
    /// From what is found to patterns and formulas, with reasons, and the next best question.
    Differentiate(fit::DifferentiateArgs),
    /// Change a formula so that it fits what is needed, at the least cost and within every rule.
    Modify(Box<fit::ModifyArgs>),
    /// Turn a checked prescription into packs, a cooking plan, lots, a price, and pages to print. Exit code 3: a finding stands.
    Dispense(Box<dispense::DispenseArgs>),
    /// Keep the book of stock: products, lots, counts, recalls, orders.
    Stock(Box<shelf::StockArgs>),
    /// Write the templates of the pages into a folder, for a clinic to change.
    Templates {
        /// The folder.
        into: PathBuf,
    },
    /// The clinic's record: serve it, find, verify, back up, give away, erase.
    Clinic(Box<clinic::ClinicArgs>),
    /// List, search and explain the safety rules.
    Rules(check::RulesArgs),
    /// Compare two formulas or prescriptions: what changed, and why it fits.
    Compare {
        /// A formula's name, a prescription as text, or `@FILE`.
        before: String,
        /// The same.
        after: String,
        /// Pattern the second one is written for; may be given more than once.
        #[arg(long = "for", value_name = "PATTERN")]
        patterns: Vec<String>,
    },
    /// Show the ancestors and descendants of a formula.
    Family {
        /// A formula's name in any script.
        name: Vec<String>,
        /// Write the picture to this file.
        #[arg(long, value_name = "FILE")]
        svg: Option<PathBuf>,
    },
    /// Sum formulas exactly: `1/3 Gui Zhi Tang + 1/3 Ma Huang Tang`.
    Blend {
        /// The expression.
        expression: Vec<String>,
    },
    /// Say what a name means.
    Name {
        /// Names, each as one argument.
        #[arg(required = true)]
        names: Vec<String>,
    },
    /// Show the record of a substance or formula.
    Show {
        /// A name in any script.
        name: Vec<String>,
    },
    /// Weigh an amount in old measures.
    Measure {
        /// An amount, such as `1 liang 16 zhu` or `12 piece`.
        amount: Vec<String>,
        /// The substance, for counted things and volumes.
        #[arg(long, value_name = "NAME")]
        of: Option<String>,
        /// List all conventions.
        #[arg(long)]
        list: bool,
    },
    /// List the pattern ids that `--for` takes.
    Patterns,
    /// Say how many records there are, and what they rest on.
    Holdings,
    /// Print the JSON Schema of a command's `--json` output.
    Schema {
        /// The command; without it, all that have one are listed.
        command: Option<String>,
    },
}

#[derive(Args)]
struct Input {
    /// File to read; `-` for standard input.
    #[arg(long, short, value_name = "FILE")]
    file: Option<PathBuf>,
    /// The prescription itself, as words (quote it, or not).
    words: Vec<String>,
}

fn main() {
    let cli = Cli::parse();
    let code = run::run(cli);
    // The index is large, and the process ends here: it need not be taken apart piece by piece.
    std::process::exit(code)
}
