//! The part of JSON Schema that the schemas of this repository use. A keyword that is not known here fails the check, so
//! that no promise stays unchecked.

use serde_json::{Map, Value};

/// Returns what in `value` breaks `schema`, each with its place.
pub(crate) fn check(schema: &Value, value: &Value) -> Vec<String> {
    let mut problems = Vec::new();
    Checker {
        root: schema,
        problems: &mut problems,
    }
    .value(schema, value, "$");
    problems
}

struct Checker<'a> {
    root: &'a Value,
    problems: &'a mut Vec<String>,
}

impl Checker<'_> {
    fn problem(&mut self, at: &str, what: impl std::fmt::Display) {
        self.problems.push(format!("{at}: {what}"));
    }

    fn value(&mut self, schema: &Value, value: &Value, at: &str) {
        let Some(schema) = schema.as_object() else {
            return self.problem(at, "the schema is no object");
        };
        for (keyword, rule) in schema {
            self.keyword(schema, keyword, rule, value, at);
        }
    }

    fn keyword(&mut self, schema: &Map<String, Value>, keyword: &str, rule: &Value, value: &Value, at: &str) {
        match keyword {
            "$ref" => {
                let pointer = rule
                    .as_str()
                    .and_then(|r| r.strip_prefix('#'))
                    .unwrap_or_default();
                match self.root.pointer(pointer) {
                    Some(target) => self.value(target, value, at),
                    None => self.problem(at, format!("{rule} leads nowhere")),
                }
            }
            "type" => {
                let allowed = rule
                    .as_array()
                    .map_or_else(|| std::slice::from_ref(rule), Vec::as_slice);
                if !allowed
                    .iter()
                    .filter_map(Value::as_str)
                    .any(|t| is_of_type(value, t))
                {
                    self.problem(at, format!("{value} is not of type {rule}"));
                }
            }
            "const" if rule != value => self.problem(at, format!("{value} is not {rule}")),
            "enum" if !rule.as_array().is_some_and(|all| all.contains(value)) => {
                self.problem(at, format!("{value} is none of {rule}"));
            }
            "minimum" if value.as_f64() < rule.as_f64() && value.is_number() => {
                self.problem(at, format!("{value} is below {rule}"));
            }
            "maximum" if value.as_f64() > rule.as_f64() && value.is_number() => {
                self.problem(at, format!("{value} is above {rule}"));
            }
            "minItems" | "minLength" => {
                let size = value
                    .as_array()
                    .map(Vec::len)
                    .or_else(|| value.as_str().map(|s| s.chars().count()));
                if size.is_some_and(|n| (n as u64) < rule.as_u64().unwrap_or(0)) {
                    self.problem(at, format!("shorter than {rule}"));
                }
            }
            "uniqueItems" => {
                let items = value.as_array().map_or(&[][..], Vec::as_slice);
                if (1..items.len()).any(|i| items[..i].contains(&items[i])) {
                    self.problem(at, "holds a value twice");
                }
            }
            "pattern" => self.pattern(rule, value, at),
            "properties" => {
                for (name, rule) in rule.as_object().into_iter().flatten() {
                    if let Some(value) = value.get(name) {
                        self.value(rule, value, &format!("{at}.{name}"));
                    }
                }
            }
            "required" => {
                for name in rule.as_array().into_iter().flatten().filter_map(Value::as_str) {
                    if value.is_object() && value.get(name).is_none() {
                        self.problem(at, format!("`{name}` is missing"));
                    }
                }
            }
            // Readers must take fields that are added later; this program must write none that the schema lacks.
            "additionalProperties" => {
                let known = schema.get("properties").and_then(Value::as_object);
                for name in value.as_object().into_iter().flatten().map(|(name, _)| name) {
                    if !known.is_some_and(|k| k.contains_key(name)) {
                        self.problem(at, format!("`{name}` is not in the schema"));
                    }
                }
            }
            "items" => {
                for (i, item) in value.as_array().into_iter().flatten().enumerate() {
                    self.value(rule, item, &format!("{at}[{i}]"));
                }
            }
            // Rules that hold here, and notes to readers.
            "const" | "enum" | "minimum" | "maximum" | "$schema" | "$defs" | "title" | "description"
            | "format" | "contentEncoding" => {}
            other => self.problem(at, format!("the keyword `{other}` is not checked")),
        }
    }

    /// Patterns of one anchor and plain letters.
    fn pattern(&mut self, rule: &Value, value: &Value, at: &str) {
        let (Some(pattern), Some(text)) = (rule.as_str(), value.as_str()) else {
            return;
        };
        let fits = match (pattern.strip_prefix('^'), pattern.strip_suffix('$')) {
            (Some(start), _) if start.chars().all(char::is_alphanumeric) => text.starts_with(start),
            (_, Some(end)) if end.chars().all(char::is_alphanumeric) => text.ends_with(end),
            _ => false,
        };
        if !fits {
            self.problem(at, format!("{value} does not fit the pattern {rule}"));
        }
    }
}

fn is_of_type(value: &Value, name: &str) -> bool {
    match name {
        "null" => value.is_null(),
        "boolean" => value.is_boolean(),
        "string" => value.is_string(),
        "array" => value.is_array(),
        "object" => value.is_object(),
        "integer" => value.is_i64() || value.is_u64(),
        "number" => value.is_number(),
        _ => false,
    }
}
