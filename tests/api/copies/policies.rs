//! Published key-control policies as data: rules, people and situations in tests/api/copies/policies/*.json,
//! each with its source; expressing one more takes a file and no code.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use serde_json::{Value, json};
use time::Date;

use domain::calendar::Day;
use domain::copies::decision::decide;
use domain::copies::decision::facts::Facts;
use domain::keys::losses::LossKind;
use domain::keys::review;
use domain::keys::{is_overdue, losses};
use domain::register::rules::Rules;
use domain::rights::told_in_time;

const NOW: &str = "2026-11-02T09:00:00Z";

struct Policy {
    name: String,
    content: Value,
    rules: Rules,
}

fn policies() -> Vec<Policy> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/api/copies/policies");
    let mut found: Vec<Policy> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| {
            let path = entry.unwrap().path();
            let content: Value = serde_json::from_str(&fs::read_to_string(&path).unwrap())
                .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            let rules: Rules = serde_json::from_value(content["rules"].clone())
                .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
            assert_eq!(rules.problems(), vec![], "{}", path.display());
            assert!(!content["source"].as_str().unwrap().is_empty());
            Policy { name: content["institution"].as_str().unwrap().to_owned(), content, rules }
        })
        .collect();
    found.sort_by(|one, other| one.name.cmp(&other.name));
    found
}

impl Policy {
    /// A person of the file: an id made from the name, authorities in force since January.
    fn person(&self, name: &str) -> Value {
        let mut authorities = self.content["people"][name]
            .as_array()
            .unwrap_or_else(|| panic!("{}: nobody is called {name}", self.name))
            .clone();
        for authority in &mut authorities {
            authority["period"] = json!({"first_day": "2026-01-01"});
        }
        let bytes: [u8; 16] = std::array::from_fn(|at| *name.as_bytes().get(at).unwrap_or(&7));
        // Names that agree in their first sixteen letters would be one person.
        let id = uuid::Uuid::from_bytes(bytes).as_u128() ^ (name.len() as u128);
        json!({"id": uuid::Uuid::from_u128(id), "authorities": authorities})
    }

    /// The facts of a case: names become people, `authorised` becomes an authorisation with so many left.
    fn facts(&self, given: &Value) -> Facts {
        let mut facts = json!({"step": "ask", "now": NOW, "request": {"asked_at": NOW}});
        merge(&mut facts, given);
        for role in ["asker", "recipient"] {
            if let Some(name) = given[role].as_str() {
                facts[role] = self.person(name);
            }
        }
        if let Some(names) = given["approvals"].as_array() {
            let approval = |name: &Value| json!({"person": self.person(name.as_str().unwrap())});
            facts["approvals"] = names.iter().map(approval).collect();
        }
        if let Some(name) = given["approver"].as_str() {
            facts["approver"] = json!({"person": self.person(name)});
        } else if let Some(name) = given["approver"]["emergency"].as_str() {
            facts["approver"] = json!({"person": self.person(name), "emergency": true});
        }
        if let Some(left) = given["authorised"].as_u64() {
            facts["authorisation"] = json!({"lapses_at": "2026-12-02T09:00:00Z", "left": left});
            facts["step_quantity"] = json!(left);
        }
        serde_json::from_value(facts).unwrap_or_else(|error| panic!("{}: {error}", self.name))
    }

    fn check(&self, case: &Value) {
        let label = format!("{} {} {}", self.name, case["id"], case["part"]);
        let expect = &case["expect"];
        let day = |value: &Value| -> Date { Day::try_from(value.as_str().unwrap().to_owned()).unwrap().0 };
        let count = |value: &Value| u32::try_from(value.as_u64().unwrap()).unwrap();
        if let Some(given) = case.get("facts") {
            self.check_decision(&label, given, expect);
        } else if let Some(given) = case.get("review") {
            let facts = self.facts(&json!({"differ": given["differ"]}));
            let due = review::is_due(&facts, &self.rules, count(&given["issued"]), count(&given["lost"]));
            assert_eq!(json!(due), *expect, "{label}");
        } else if let Some(given) = case.get("charge") {
            let facts = self.facts(given);
            let charge = losses::charge(&facts, &self.rules).map(|charge| charge.amount);
            assert_eq!(json!(charge), *expect, "{label}");
        } else if let Some(given) = case.get("told") {
            let in_time = told_in_time(&self.rules.leaving, day(&given["last_day"]), day(&given["told_on"]));
            assert_eq!(json!(in_time), *expect, "{label}");
        } else if let Some(given) = case.get("rekey") {
            let due =
                review::rekey_is_due(&self.rules.leaving, day(&given["last_day"]), day(&given["today"]));
            assert_eq!(json!(due), *expect, "{label}");
        } else if let Some(given) = case.get("overdue") {
            let late = is_overdue(Some(day(&given["due_back_on"])), day(&given["today"]));
            assert_eq!(json!(late), *expect, "{label}");
        } else if let Some(given) = case.get("crime_reference") {
            let kind: LossKind = given["kind"].as_str().unwrap().parse().unwrap();
            let lacks = losses::lacks_crime_reference(&self.rules, kind, given["reference"].as_str());
            assert_eq!(json!(lacks), *expect, "{label}");
        } else if case.get("transfer").is_some() {
            assert_eq!(json!(self.rules.transfer), *expect, "{label}");
        } else {
            panic!("{label}: nothing to check");
        }
    }

    fn check_decision(&self, label: &str, given: &Value, expect: &Value) {
        let decision = decide(&self.facts(given), &self.rules);
        let told = json!(decision);
        assert_eq!(told["outcome"], expect["outcome"], "{label}: {told}");
        if let Some(codes) = expect.get("codes") {
            assert_eq!(json!(decision.codes()), *codes, "{label}: {told}");
        }
        let needs = || decision.reasons.iter().flat_map(|reason| &reason.needs);
        if let Some(posts) = expect.get("needs") {
            let first: Vec<String> = needs().map(|need| need.posts[0].to_string()).collect();
            assert_eq!(json!(first), *posts, "{label}: {told}");
        }
        if let Some(missing) = expect.get("missing") {
            assert_eq!(json!(needs().map(|need| need.count).sum::<u8>()), *missing, "{label}: {told}");
        }
        if let Some(remedy) = expect.get("remedy") {
            assert!(decision.reasons.iter().any(|reason| json!(reason.remedy) == *remedy), "{label}: {told}");
        }
    }
}

fn merge(into: &mut Value, from: &Value) {
    match (into, from) {
        (Value::Object(into), Value::Object(from)) => {
            for (name, value) in from.iter().filter(|(name, _)| *name != "authorised") {
                if ["asker", "recipient", "approvals", "approver"].contains(&name.as_str()) {
                    continue;
                }
                merge(into.entry(name).or_insert(Value::Null), value);
            }
        }
        (into, from) => *into = from.clone(),
    }
}

#[test]
fn every_row_of_the_published_policies_comes_out_as_its_text_says() {
    for policy in policies() {
        let cases = policy.content["cases"].as_array().unwrap();
        assert!(!cases.is_empty(), "{}", policy.name);
        cases.iter().for_each(|case| policy.check(case));
    }
}

/// `rows` of a file are the requirements of its source, by the numbers that were given to them.
#[test]
fn no_row_is_left_out_and_what_is_only_recorded_has_its_reason() {
    for policy in policies() {
        let mut seen = BTreeSet::new();
        for list in ["cases", "recorded"] {
            for row in policy.content[list].as_array().unwrap() {
                seen.insert(row["id"].as_str().unwrap());
                assert!(list == "cases" || row["reason"].as_str().unwrap().len() > 20);
            }
        }
        let rows = policy.content["rows"].as_array().unwrap().iter();
        assert_eq!(rows.map(|row| row.as_str().unwrap()).collect::<BTreeSet<_>>(), seen, "{}", policy.name);
    }
}
