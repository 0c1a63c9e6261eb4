//! The table of keys as JSON Schema, for editors that complete and check TOML.

use serde_json::{Map, Value, json};

use super::keys::{Key, Kind, Presence, SECTIONS, Section};

/// JSON Schema (draft 2020-12) of an axis sheet. What depends on two keys at once is checked by the parser only.
#[must_use]
pub fn json_schema() -> Value {
    let properties: Map<String, Value> =
        SECTIONS.iter().map(|section| (section.name.to_owned(), table(section))).collect();
    let required: Vec<_> =
        SECTIONS.iter().filter(|section| section.required).map(|section| section.name).collect();
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Axis sheet",
        "description": "What the customer's controller expects of one axis, and what the axis is made of",
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": false,
    })
}

fn table(section: &Section) -> Value {
    let properties: Map<String, Value> =
        section.keys.iter().map(|key| (key.name.to_owned(), property(key))).collect();
    let needed = section.keys.iter().filter(|key| matches!(key.presence, Presence::Required));
    let object = json!({
        "type": "object",
        "properties": properties,
        "required": needed.map(|key| key.name).collect::<Vec<_>>(),
        "additionalProperties": false,
    });
    let mut schema = if section.repeated { json!({ "type": "array", "items": object }) } else { object };
    schema["description"] = section.doc.into();
    if section.repeated && section.required {
        schema["minItems"] = 1.into();
    }
    schema
}

fn property(key: &Key) -> Value {
    let mut schema = match key.kind {
        // At least one character that is no white space, as the parser asks for.
        Kind::Text(most) => json!({ "type": "string", "pattern": "\\S", "maxLength": most }),
        Kind::Prose(most) => json!({ "type": "string", "maxLength": most }),
        Kind::Truth => json!({ "type": "boolean" }),
        Kind::Number(range) if range.above => {
            json!({ "type": "number", "exclusiveMinimum": range.least, "maximum": range.most })
        }
        Kind::Number(range) => json!({ "type": "number", "minimum": range.least, "maximum": range.most }),
        Kind::Whole(least, most) => json!({ "type": "integer", "minimum": least, "maximum": most }),
        Kind::Word(list) => {
            let words =
                list().into_iter().map(|(word, meaning)| json!({ "const": word, "description": meaning }));
            json!({ "oneOf": words.collect::<Vec<_>>() })
        }
    };
    let (default, note) = match key.presence {
        Presence::Required | Presence::Optional => (None, None),
        Presence::When(when) => (None, Some(format!("needed when {when}"))),
        Presence::Number(number, basis) => (Some(json!(number)), Some(format!("default: {}", basis.words()))),
        Presence::Whole(number, basis) => (Some(json!(number)), Some(format!("default: {}", basis.words()))),
        Presence::Truth(truth) => (Some(json!(truth)), None),
        Presence::Word(word) => (Some(json!(word)), None),
        Presence::Rule(rule, basis) => (None, Some(format!("default: {rule}; {}", basis.words()))),
    };
    let note = note.map_or(String::new(), |note| format!(" ({note})"));
    schema["description"] = format!("{}{note}", key.doc).into();
    if let Some(default) = default {
        schema["default"] = default;
    }
    schema
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_schema_knows_every_key_of_the_demonstration_sheets_and_they_have_all_it_requires() {
        let schema = json_schema();
        for text in
            [include_str!("../../sheets/film-winder.toml"), include_str!("../../sheets/bare-rotor.toml")]
        {
            let sheet: toml::Table = toml::from_str(text).unwrap();
            for needed in schema["required"].as_array().unwrap() {
                assert!(sheet.contains_key(needed.as_str().unwrap()), "{needed}");
            }
            for (name, value) in &sheet {
                let table = &schema["properties"][name];
                let (object, rows) = match value {
                    toml::Value::Array(rows) => (&table["items"], rows.clone()),
                    other => (table, vec![other.clone()]),
                };
                for row in rows {
                    for needed in object["required"].as_array().unwrap() {
                        assert!(row.get(needed.as_str().unwrap()).is_some(), "{name}.{needed}");
                    }
                    for key in row.as_table().unwrap().keys() {
                        assert!(object["properties"][key].is_object(), "{name}.{key}");
                    }
                }
            }
        }
    }

    #[test]
    fn every_number_says_its_unit_in_its_key_and_every_key_is_documented() {
        let units = [
            "_volts",
            "_percent",
            "_percent_of_rated_torque",
            "_rpm",
            "rpm",
            "_newton_metres",
            "_square_metres",
            "_kilograms",
            "_millimetres",
            "_kilohertz",
            "_nanoseconds",
            "_degrees",
            "_milliseconds",
            "_joules",
            "_per_revolution",
            "_percent_of_full_speed",
            "_edges",
            "volts_at_rated_torque",
            "fixture_input",
            // In the unit that entered_as names, beside them.
            "step",
            "least",
            "most",
        ];
        for section in SECTIONS {
            assert!(!section.doc.is_empty());
            for key in section.keys {
                assert!(!key.doc.is_empty(), "{}.{}", section.name, key.name);
                if matches!(key.kind, Kind::Number(_) | Kind::Whole(..)) {
                    assert!(
                        units.iter().any(|unit| key.name.ends_with(unit)),
                        "{}.{}",
                        section.name,
                        key.name
                    );
                }
            }
        }
    }
}
