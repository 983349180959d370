//! The differs of a geometry: how many, what each rule costs, which.

use std::error::Error;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::PathBuf;

use clap::Subcommand;
use serde_json::{Value, json};

use crate::cli::Done;
use domain::differs::geometry::Geometry;
use domain::differs::space::{Space, rule_costs};
use domain::differs::standards::shortfalls;

#[derive(Subcommand)]
pub enum Command {
    /// Count the differs of geometries, and say what each rule costs; one JSON object a line, in and out.
    Count {
        /// Geometries, one JSON object a line; standard input, when left out.
        file: Option<PathBuf>,
    },
    /// List the differs of one geometry in the order of their numbers.
    List {
        /// The geometry as JSON; standard input, when left out.
        file: Option<PathBuf>,
        /// The most that are listed.
        #[arg(long, default_value_t = 1000)]
        most: usize,
    },
}

pub fn run(command: Command) -> Done {
    match command {
        Command::Count { file } => count(input(file)?),
        Command::List { file, most } => list(input(file)?, most),
    }
}

fn input(file: Option<PathBuf>) -> Result<Box<dyn BufRead>, std::io::Error> {
    Ok(match file {
        Some(file) => Box::new(BufReader::new(std::fs::File::open(file)?)),
        None => Box::new(BufReader::new(std::io::stdin())),
    })
}

fn count(lines: impl BufRead) -> Done {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for line in lines.lines() {
        let line = line?;
        if !line.trim().is_empty() {
            writeln!(out, "{}", counted(&line)?)?;
        }
    }
    Ok(out.flush()?)
}

fn counted(line: &str) -> Result<Value, Box<dyn Error>> {
    let geometry: Geometry = serde_json::from_str(line)?;
    let problems = geometry.problems();
    if !problems.is_empty() {
        let problems =
            problems.iter().map(|found| json!({"pointer": found.pointer, "problem": found.problem}));
        return Ok(json!({ "problems": problems.collect::<Vec<_>>() }));
    }
    let count = Space::of(&geometry)?.count();
    Ok(json!({
        "count": count.to_string(),
        "rules": rule_costs(&geometry)?,
        "shortfalls": shortfalls(&geometry, count),
    }))
}

fn list(mut text: impl Read, most: usize) -> Done {
    let geometry: Geometry = serde_json::from_reader(&mut text)?;
    if let Some(found) = geometry.problems().first() {
        return Err(format!("{} {}", found.pointer, found.problem).into());
    }
    let space = Space::of(&geometry)?;
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for heights in (0..).map_while(|rank| space.unrank(rank)).take(most) {
        writeln!(out, "{}", serde_json::to_string(&heights)?)?;
    }
    Ok(out.flush()?)
}
