//! Many catches at once: a table in, one answer for each row out.

use std::fs::File;
use std::io::{self, BufWriter, Read, Write};
use std::path::Path;

use csv::StringRecord;
use serde_json::{Map, Value};

use super::Wrong;
use super::estimate::{Answer, Wanted};

/// Where a table's columns are.
struct Columns {
    catch: Vec<usize>,
    seconds: Vec<usize>,
    /// Carried through to the answer.
    others: Vec<(usize, String)>,
}

/// Reads the table and answers row by row. A row that can't be read gets its complaint in its
/// place, and the whole ends with how many there were.
pub(super) fn run(table: &Path, as_csv: bool, wanted: &Wanted) -> Result<(), Wrong> {
    let input: Box<dyn Read> = if table == Path::new("-") {
        Box::new(io::stdin().lock())
    } else {
        let file = File::open(table)
            .map_err(|e| Wrong::new(format!("{} can't be read: {e}", table.display())))?;
        Box::new(file)
    };
    let mut rows = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .flexible(true)
        .from_reader(input);
    let headers = rows
        .headers()
        .map_err(|e| Wrong::new(format!("{}: {e}", table.display())))?
        .clone();
    let columns = Columns::find(&headers)?;
    let mut out = Output::begin(as_csv, &columns)?;
    let (mut good, mut bad) = (0_u64, 0_u64);
    for (place, row) in rows.records().enumerate() {
        let number = place + 2;
        let answer = match &row {
            Ok(row) => columns.answer(row, wanted),
            Err(error) => Err(Wrong::new(error.to_string())),
        };
        match &answer {
            Ok(_) => good += 1,
            Err(_) => bad += 1,
        }
        out.row(number, row.as_ref().ok(), &columns, answer)?;
    }
    out.end()?;
    if bad == 0 {
        Ok(())
    } else {
        Err(Wrong::new(format!(
            "{bad} of {} rows could not be read: each says why in its place",
            good + bad
        )))
    }
}

impl Columns {
    fn find(headers: &StringRecord) -> Result<Self, Wrong> {
        let place = |name: &str| {
            headers
                .iter()
                .position(|header| header.eq_ignore_ascii_case(name))
        };
        let run = |what: &str| -> Vec<usize> {
            (1..)
                .map_while(|number| place(&format!("{what}_{number}")))
                .collect()
        };
        let (catch, seconds) = (run("pass"), run("seconds"));
        if catch.is_empty() {
            return Err(Wrong::new(
                "the table has no column pass_1: name the columns pass_1, pass_2, … for the catches and, if known, seconds_1, seconds_2, … for the energised seconds",
            ));
        }
        let others = headers
            .iter()
            .enumerate()
            .filter(|(place, _)| !catch.contains(place) && !seconds.contains(place))
            .map(|(place, name)| (place, name.to_owned()))
            .collect();
        Ok(Self {
            catch,
            seconds,
            others,
        })
    }

    /// A blank cell ends the series: sites have different numbers of passes.
    fn series<'r>(row: &'r StringRecord, places: &[usize]) -> Vec<&'r str> {
        places
            .iter()
            .map(|place| row.get(*place).unwrap_or_default())
            .take_while(|cell| !cell.is_empty())
            .collect()
    }

    fn answer(&self, row: &StringRecord, wanted: &Wanted) -> Result<Answer, Wrong> {
        let catch = super::estimate::counts("catch", &Self::series(row, &self.catch).join(","))?;
        let seconds = Self::series(row, &self.seconds);
        let seconds: Result<Vec<f64>, Wrong> = seconds
            .into_iter()
            .map(|cell| {
                cell.parse()
                    .map_err(|_| Wrong::new(format!("“{cell}” is not a number of seconds")))
            })
            .collect();
        let seconds = seconds?;
        wanted.answer(&catch, (!seconds.is_empty()).then_some(&seconds[..]))
    }
}

/// One answer a line.
enum Output {
    Json(BufWriter<io::Stdout>),
    Csv(Box<csv::Writer<io::Stdout>>),
}

const FIGURES: [&str; 9] = [
    "row", "total", "outcome", "n_fish", "se_fish", "low_95", "high_95", "p", "words",
];

fn closed(error: impl std::fmt::Display) -> Wrong {
    Wrong::new(format!("the answers can't be written: {error}"))
}

impl Output {
    fn begin(as_csv: bool, columns: &Columns) -> Result<Self, Wrong> {
        if !as_csv {
            return Ok(Self::Json(BufWriter::new(io::stdout())));
        }
        let mut writer = csv::Writer::from_writer(io::stdout());
        let carried = columns.others.iter().map(|(_, name)| name.as_str());
        writer
            .write_record(carried.chain(FIGURES))
            .map_err(closed)?;
        Ok(Self::Csv(Box::new(writer)))
    }

    fn row(
        &mut self,
        number: usize,
        row: Option<&StringRecord>,
        columns: &Columns,
        answer: Result<Answer, Wrong>,
    ) -> Result<(), Wrong> {
        let carried = columns.others.iter().map(|(place, name)| {
            let cell = row.and_then(|row| row.get(*place)).unwrap_or_default();
            (name.as_str(), cell)
        });
        match self {
            Self::Json(out) => {
                let mut line = Map::new();
                line.insert("row".to_owned(), number.into());
                for (name, cell) in carried {
                    line.insert(name.to_owned(), cell.into());
                }
                match answer {
                    Ok(answer) => {
                        if let Value::Object(fields) =
                            serde_json::to_value(&answer).map_err(closed)?
                        {
                            line.extend(fields);
                        }
                    }
                    Err(why) => {
                        line.insert("error".to_owned(), why.to_string().into());
                    }
                }
                serde_json::to_writer(&mut *out, &line).map_err(closed)?;
                out.write_all(b"\n").map_err(closed)
            }
            Self::Csv(out) => {
                let mut cells: Vec<String> = carried.map(|(_, cell)| guarded(cell)).collect();
                cells.push(number.to_string());
                cells.extend(match answer {
                    Ok(answer) => figures(&answer),
                    Err(why) => {
                        let mut blank = vec![String::new(); FIGURES.len() - 2];
                        blank.push(why.to_string());
                        blank
                    }
                });
                out.write_record(&cells).map_err(closed)
            }
        }
    }

    fn end(self) -> Result<(), Wrong> {
        match self {
            Self::Json(mut out) => out.flush().map_err(closed),
            Self::Csv(mut out) => out.flush().map_err(closed),
        }
    }
}

fn figures(answer: &Answer) -> Vec<String> {
    let a = &answer.analysis;
    let outcome = serde_json::to_value(a.outcome).unwrap_or_default();
    let rounded = |value: Option<f64>| {
        value.map_or(String::new(), |v| {
            gravelbar_estimate::six_digits(v).to_string()
        })
    };
    let headline = a.headline.as_ref();
    let interval = headline.and_then(|h| h.profile_95);
    vec![
        a.total.to_string(),
        outcome.as_str().unwrap_or_default().to_owned(),
        headline.map_or(String::new(), |h| h.n_fish.to_string()),
        rounded(headline.and_then(|h| h.se_fish)),
        interval.map_or(String::new(), |i| i.low.to_string()),
        interval
            .and_then(|i| i.high)
            .map_or(String::new(), |high| high.to_string()),
        rounded(headline.and_then(|h| h.p)),
        a.verdict.clone(),
    ]
}

/// Text that a spreadsheet would take for a formula is marked as text. Numbers stay numbers.
fn guarded(cell: &str) -> String {
    let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r', '\0']);
    if formula && cell.parse::<f64>().is_err() {
        format!("'{cell}")
    } else {
        cell.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::guarded;

    #[test]
    fn a_formula_becomes_text_and_a_negative_longitude_stays_a_number() {
        assert_eq!(guarded("=SUM(A1)"), "'=SUM(A1)");
        assert_eq!(guarded("@site"), "'@site");
        assert_eq!(guarded("-71.25"), "-71.25");
        assert_eq!(guarded("QB-03"), "QB-03");
    }
}
