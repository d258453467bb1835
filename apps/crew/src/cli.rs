//! The command line: what the program is asked to do, and how nonsense is answered.

mod carry;
mod estimate;
mod reduce;
mod serve;
mod settings;
mod summary;
mod table;
mod visit_file;

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::error::ErrorKind;
use clap::{Args, Parser, Subcommand};

/// What a wrong request ends with; 0 is success.
const WRONG_REQUEST: u8 = 2;

/// Gravelbar records an electrofishing visit on every crew member's device and merges them.
///
/// A notebook, not an interlock: it sees no current and cuts none.
#[derive(Parser)]
#[command(name = "gravelbar", version, disable_help_subcommand = true)]
struct Request {
    #[command(subcommand)]
    command: Option<Command>,
    #[command(flatten)]
    serve: serve::Serve,
}

#[derive(Subcommand)]
enum Command {
    /// Population estimates from the catch of each pass.
    Estimate(estimate::Estimate),
    /// Where to aim the output in today's water, from one setting known to be good.
    Settings(settings::Settings),
    /// Totals and estimates of a stored visit or a visit file, without screens.
    Reduce(reduce::Reduce),
    /// The field summary of a visit on one page of PDF, for the crew or for the landowner.
    Summary(summary::SummaryPage),
    /// Lists the visits in the data folder.
    Visits(Folder),
    /// Visits and crew books in signed files: out, in, show, and an office's key.
    Carry(carry::Carry),
    /// Plays the invented Quillet Brook visit on five devices that lose and find each other.
    Demo(Demo),
}

#[derive(Args)]
struct Folder {
    /// Data folder; the user's own one where left out.
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
}

#[derive(Args)]
struct Demo {
    /// Plays without waiting between steps.
    #[arg(long)]
    fast: bool,
    /// Ends after the merge instead of showing the pages.
    #[arg(long)]
    no_pages: bool,
    /// Opens no browser.
    #[arg(long)]
    no_open: bool,
    /// Keeps the five data folders here.
    #[arg(long, value_name = "FOLDER")]
    keep: Option<PathBuf>,
}

/// A request that can't be met, in one line that says how to mend it.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
struct Wrong(String);

impl Wrong {
    fn new(words: impl Into<String>) -> Self {
        Self(words.into())
    }
}

/// Runs the program with the arguments it was given.
#[must_use]
pub fn main() -> ExitCode {
    let request = match Request::try_parse() {
        Ok(request) => request,
        Err(error)
            if matches!(
                error.kind(),
                ErrorKind::DisplayHelp | ErrorKind::DisplayVersion
            ) =>
        {
            say(&error.to_string());
            return ExitCode::SUCCESS;
        }
        Err(error) => return wrong(&one_line(&error)),
    };
    let done = match request.command {
        None => serve::run(request.serve),
        Some(Command::Estimate(estimate)) => estimate::run(&estimate),
        Some(Command::Settings(settings)) => settings::run(&settings),
        Some(Command::Reduce(reduce)) => reduce::run(&reduce),
        Some(Command::Summary(summary)) => summary::run(&summary),
        Some(Command::Visits(folder)) => reduce::list(&folder),
        Some(Command::Carry(carry)) => carry::run(&carry),
        Some(Command::Demo(demo)) => play(demo),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => wrong(&error.to_string()),
    }
}

fn play(demo: Demo) -> Result<(), Wrong> {
    let options = crate::demo::DemoOptions {
        fast: demo.fast,
        pages: !demo.no_pages,
        open_browser: !demo.no_open,
        keep: demo.keep,
    };
    runtime()?
        .block_on(crate::demo::run(options))
        .map_err(|e| Wrong::new(e.to_string()))
}

fn runtime() -> Result<tokio::runtime::Runtime, Wrong> {
    tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|e| Wrong::new(format!("the system gives the program no threads: {e}")))
}

/// The user's data folder, or the one named.
fn data_folder(named: Option<&PathBuf>) -> Result<PathBuf, Wrong> {
    match named {
        Some(folder) => Ok(folder.clone()),
        None => dirs::data_dir()
            .map(|data| data.join("gravelbar"))
            .ok_or_else(|| {
                Wrong::new("the system names no place for the user's data: give one with --folder")
            }),
    }
}

/// The parser's complaint without its paragraphs.
fn one_line(error: &clap::Error) -> String {
    let text = error.to_string();
    let first = text.lines().next().unwrap_or_default();
    let words = first.strip_prefix("error: ").unwrap_or(first);
    match error.kind() {
        ErrorKind::MissingRequiredArgument => {
            let missing: Vec<&str> = text.lines().skip(1).map(str::trim).collect();
            let missing = missing.first().copied().unwrap_or_default();
            format!("{words} {missing}; “gravelbar --help” shows what can be asked")
        }
        _ => format!("{words}; “gravelbar --help” shows what can be asked"),
    }
}

/// Prints to standard output; a reader that has gone away is no reason to fail.
fn say(text: &str) {
    let mut out = std::io::stdout().lock();
    let newline = if text.ends_with('\n') { "" } else { "\n" };
    write!(out, "{text}{newline}")
        .and_then(|()| out.flush())
        .ok();
}

fn wrong(words: &str) -> ExitCode {
    let line = words.split_whitespace().collect::<Vec<_>>().join(" ");
    writeln!(std::io::stderr().lock(), "gravelbar: {line}").ok();
    ExitCode::from(WRONG_REQUEST)
}
