//! A small XML tree, and JUnit's two schemas from the facts in `tests/reference/junit-xml.toml`.

#![allow(clippy::unwrap_used, clippy::panic)] // Only tests are built with this file.

use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};

/// An element.
#[derive(Debug, Default)]
pub(crate) struct Element {
    pub(crate) name: String,
    pub(crate) attributes: Vec<(String, String)>,
    pub(crate) children: Vec<Element>,
    pub(crate) text: String,
}

impl Element {
    pub(crate) fn attribute(&self, name: &str) -> &str {
        self.attributes.iter().find(|(n, _)| n == name).map_or("", |(_, v)| v)
    }

    pub(crate) fn child(&self, name: &str) -> &Element {
        self.children.iter().find(|c| c.name == name).unwrap_or_else(|| panic!("no {name}"))
    }

    /// All cases of a whole file.
    pub(crate) fn cases(&self) -> impl Iterator<Item = &Element> {
        self.children.iter().flat_map(|s| &s.children).filter(|c| c.name == "testcase")
    }
}

/// Reads a well-formed document.
pub(crate) fn parse(text: &str) -> Result<Element, String> {
    let mut reader = Reader::from_str(text);
    let mut open = vec![Element::default()];
    loop {
        match reader.read_event().map_err(|e| e.to_string())? {
            Event::Start(s) => open.push(element(&s)?),
            Event::Empty(s) => {
                let made = element(&s)?;
                open.last_mut().ok_or("no root")?.children.push(made);
            }
            Event::End(_) => {
                let done = open.pop().ok_or("one end too many")?;
                open.last_mut().ok_or("one end too many")?.children.push(done);
            }
            Event::Text(t) => {
                open.last_mut().ok_or("no root")?.text += &t.decode().map_err(|e| e.to_string())?
            }
            Event::Eof => break,
            _ => {}
        }
    }
    match open.pop() {
        Some(mut top) if open.is_empty() && top.children.len() == 1 => {
            top.children.pop().ok_or_else(String::new)
        }
        _ => Err("not one root".to_owned()),
    }
}

fn element(start: &BytesStart<'_>) -> Result<Element, String> {
    let name = String::from_utf8_lossy(start.name().as_ref()).into_owned();
    let attributes = start
        .attributes()
        .map(|a| {
            let a = a.map_err(|e| e.to_string())?;
            let value = String::from_utf8_lossy(&a.value).into_owned();
            Ok((String::from_utf8_lossy(a.key.as_ref()).into_owned(), value))
        })
        .collect::<Result<_, String>>()?;
    Ok(Element { name, attributes, ..Element::default() })
}

/// What the schemas ask, as published facts.
pub(crate) struct Facts(toml::Table);

type Checked = Result<(), String>;

impl Facts {
    pub(crate) fn read() -> Self {
        Self(include_str!("../../../tests/reference/junit-xml.toml").parse().unwrap())
    }

    fn list(&self, schema: &str, key: &str) -> Vec<String> {
        let list = self.0[schema][key].as_array().unwrap_or_else(|| panic!("{schema}.{key}"));
        list.iter().map(|v| v.as_str().unwrap().to_owned()).collect()
    }

    /// A variation of the sample, and whether each schema held it valid.
    pub(crate) fn validated(&self) -> Vec<(String, bool, bool)> {
        let rows = self.0["valid_in_both"]["validated_here"].as_array().unwrap();
        rows.iter()
            .map(|r| {
                let said = |k: &str| r[k].as_bool().unwrap();
                (r["change"].as_str().unwrap().to_owned(), said("ant"), said("jenkins10"))
            })
            .collect()
    }

    /// Is it valid for the Ant task's schema?
    pub(crate) fn ant(&self, root: &Element) -> Checked {
        let list = |key: &str| self.list("ant_junit", key);
        within("root", &root.name, &list("root"))?;
        attributes(root, &[], &list("testsuites_attributes"))?;
        let mut required = list("testsuite_attributes_required");
        required.extend(list("testsuite_attributes_required_inside_testsuites"));
        let order = list("testsuite_children_in_this_order_required");
        let start: i64 = self.0["ant_junit"]["id_starts_at"].as_integer().unwrap();
        for (n, suite) in root.children.iter().enumerate() {
            within("child of testsuites", &suite.name, &["testsuite".to_owned()])?;
            attributes(suite, &required, &list("testsuite_attributes_optional"))?;
            if suite.attribute("id") != (start + n as i64).to_string() {
                return Err(format!("id {}", suite.attribute("id")));
            }
            zoneless(suite.attribute("timestamp"))?;
            decimal(suite.attribute("time"))?;
            in_order(suite, &order)?;
            for case in suite.children.iter().filter(|c| c.name == "testcase") {
                attributes(case, &list("testcase_attributes_required"), &[])?;
                decimal(case.attribute("time"))?;
                if case.children.len() > 1 {
                    return Err("a case with two ends".to_owned());
                }
                for end in &case.children {
                    within("child of testcase", &end.name, &list("testcase_children_at_most_one"))?;
                    if end.name != "skipped" {
                        let required = list("error_failure_attribute_required");
                        attributes(end, &required, &list("error_failure_attribute_optional"))?;
                    }
                }
            }
        }
        Ok(())
    }

    /// Is it valid for Jenkins' schema?
    pub(crate) fn jenkins(&self, root: &Element) -> Checked {
        let list = |key: &str| self.list("jenkins_junit_10", key);
        within("root", &root.name, &list("root"))?;
        attributes(root, &[], &list("testsuites_attributes_optional"))?;
        for suite in &root.children {
            attributes(
                suite,
                &list("testsuite_attributes_required"),
                &list("testsuite_attributes_optional"),
            )?;
            for child in &suite.children {
                within("child of testsuite", &child.name, &list("testsuite_children_any_order"))?;
                for property in child.children.iter().filter(|_| child.name == "properties") {
                    attributes(property, &list("property_attributes_required"), &[])?;
                }
            }
            for case in suite.children.iter().filter(|c| c.name == "testcase") {
                attributes(
                    case,
                    &list("testcase_attributes_required"),
                    &list("testcase_attributes_optional"),
                )?;
                decimal(case.attribute("time"))?;
                for end in &case.children {
                    within("child of testcase", &end.name, &list("testcase_children"))?;
                    attributes(end, &[], &list("failure_error_skipped_attributes_optional"))?;
                }
            }
        }
        Ok(())
    }
}

fn within(what: &str, name: &str, allowed: &[String]) -> Checked {
    if allowed.iter().any(|a| a == name) { Ok(()) } else { Err(format!("{what}: {name}")) }
}

fn attributes(e: &Element, required: &[String], optional: &[String]) -> Checked {
    for r in required {
        if !e.attributes.iter().any(|(n, _)| n == r) {
            return Err(format!("{} without {r}", e.name));
        }
    }
    for (n, _) in &e.attributes {
        if !required.contains(n) && !optional.contains(n) {
            return Err(format!("{} with {n}", e.name));
        }
    }
    Ok(())
}

/// The children must be these, each once, a starred one any number of times.
fn in_order(suite: &Element, order: &[String]) -> Checked {
    let mut children = suite.children.iter().map(|c| c.name.as_str()).peekable();
    for wanted in order {
        if let Some(many) = wanted.strip_suffix('*') {
            while children.next_if(|c| *c == many).is_some() {}
        } else if children.next() != Some(wanted) {
            return Err(format!("{wanted} missing or out of order"));
        }
    }
    children.next().map_or(Ok(()), |c| Err(format!("{c} out of order")))
}

fn zoneless(time: &str) -> Checked {
    let like = "dddd-dd-ddTdd:dd:dd";
    let fits = time.len() == like.len()
        && time.chars().zip(like.chars()).all(|(c, l)| if l == 'd' { c.is_ascii_digit() } else { c == l });
    if fits { Ok(()) } else { Err(format!("timestamp {time}")) }
}

fn decimal(time: &str) -> Checked {
    let (whole, fraction) = time.split_once('.').unwrap_or((time, ""));
    let digits = |s: &str| s.chars().all(|c| c.is_ascii_digit());
    if !whole.is_empty() && digits(whole) && digits(fraction) { Ok(()) } else { Err(format!("time {time}")) }
}

/// The facts as XML Schemas: name and text.
pub(crate) fn schemas(facts: &Facts) -> [(&'static str, String); 2] {
    let list = |schema: &str, key: &str| facts.list(schema, key);
    let attribute = |names: Vec<String>, use_: &str| -> String {
        let kind = |n: &str| match n {
            "time" => "decimal",
            "tests" | "failures" | "errors" | "skipped" | "id" => "nonNegativeInteger",
            _ => "string",
        };
        let one = |n: &String| format!("<xs:attribute name='{n}' type='xs:{}' use='{use_}'/>", kind(n));
        names.iter().map(one).collect()
    };
    let end = |name: &str, attributes: &str| {
        format!(
            "<xs:element name='{name}'><xs:complexType mixed='true'>{attributes}</xs:complexType></xs:element>"
        )
    };
    let properties = "<xs:element name='properties'><xs:complexType><xs:sequence><xs:element name='property' minOccurs='0' \
                      maxOccurs='unbounded'><xs:complexType><xs:attribute name='name' use='required'/><xs:attribute \
                      name='value' use='required'/></xs:complexType></xs:element></xs:sequence></xs:complexType></xs:element>";
    let wrap = |case: String, suite: String, top: String| {
        format!(
            "<xs:schema xmlns:xs='http://www.w3.org/2001/XMLSchema'>{properties}<xs:element name='system-out' \
             type='xs:string'/><xs:element name='system-err' type='xs:string'/>{case}{suite}<xs:element \
             name='testsuites'><xs:complexType><xs:sequence><xs:element ref='testsuite' minOccurs='0' \
             maxOccurs='unbounded'/></xs:sequence>{top}</xs:complexType></xs:element></xs:schema>"
        )
    };
    let element = |name: &str, content: String, attributes: String| {
        format!(
            "<xs:element name='{name}'><xs:complexType>{content}{attributes}</xs:complexType></xs:element>"
        )
    };
    let a = "ant_junit";
    let typed = attribute(list(a, "error_failure_attribute_required"), "required")
        + &attribute(list(a, "error_failure_attribute_optional"), "optional");
    let ends: String = list(a, "testcase_children_at_most_one")
        .iter()
        .map(|n| end(n, if n == "skipped" { "<xs:attribute name='message'/>" } else { &typed }))
        .collect();
    let case = element(
        "testcase",
        format!("<xs:choice minOccurs='0'>{ends}</xs:choice>"),
        attribute(list(a, "testcase_attributes_required"), "required"),
    );
    let order: String = list(a, "testsuite_children_in_this_order_required")
        .iter()
        .map(|n| match n.strip_suffix('*') {
            Some(n) => format!("<xs:element ref='{n}' minOccurs='0' maxOccurs='unbounded'/>"),
            None => format!("<xs:element ref='{n}'/>"),
        })
        .collect();
    let suite = element(
        "testsuite",
        format!("<xs:sequence>{order}</xs:sequence>"),
        attribute(list(a, "testsuite_attributes_required"), "required")
            + &attribute(list(a, "testsuite_attributes_required_inside_testsuites"), "required")
            + &attribute(list(a, "testsuite_attributes_optional"), "optional"),
    );
    let ant = wrap(case, suite, String::new());

    let j = "jenkins_junit_10";
    let free = attribute(list(j, "failure_error_skipped_attributes_optional"), "optional");
    let ends: String = list(j, "testcase_children")
        .iter()
        .map(|n| if n.starts_with("system") { format!("<xs:element ref='{n}'/>") } else { end(n, &free) })
        .collect();
    let any = |inner: String| format!("<xs:choice minOccurs='0' maxOccurs='unbounded'>{inner}</xs:choice>");
    let case = element(
        "testcase",
        any(ends),
        attribute(list(j, "testcase_attributes_required"), "required")
            + &attribute(list(j, "testcase_attributes_optional"), "optional"),
    );
    let children =
        list(j, "testsuite_children_any_order").iter().map(|n| format!("<xs:element ref='{n}'/>")).collect();
    let suite = element(
        "testsuite",
        any(children),
        attribute(list(j, "testsuite_attributes_required"), "required")
            + &attribute(list(j, "testsuite_attributes_optional"), "optional"),
    );
    let top = attribute(list(j, "testsuites_attributes_optional"), "optional");
    [("ant", ant), ("jenkins", wrap(case, suite, top))]
}
