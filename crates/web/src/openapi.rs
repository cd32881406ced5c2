//! The OpenAPI 3.1 description, made from the table of routes. Its shapes are JSON Schema 2020-12, as OpenAPI 3.1 has them.

use fangwright_clinic::accounts::{Reach, Role};
use schemars::generate::{SchemaGenerator, SchemaSettings};
use serde_json::{Map, Value, json};

use crate::problem::Problem;
use crate::route::{Content, Route};

/// Shapes that are given may lack what shapes that are taken must have, so the two are named apart.
const GIVEN: &str = "Given";

fn renamed(value: &mut Value) {
    match value {
        Value::Object(map) => {
            if let Some(Value::String(to)) = map.get_mut("$ref")
                && let Some(name) = to.strip_prefix("#/components/schemas/")
            {
                *to = format!("#/components/schemas/{GIVEN}{name}");
            }
            map.values_mut().for_each(renamed);
        }
        Value::Array(list) => list.iter_mut().for_each(renamed),
        _ => {}
    }
}

struct Shapes {
    taken: SchemaGenerator,
    given: SchemaGenerator,
}

impl Shapes {
    fn new() -> Shapes {
        let settings = || {
            SchemaSettings::draft2020_12().with(|s| {
                s.definitions_path = "/components/schemas".into();
                s.meta_schema = None;
            })
        };
        Shapes {
            taken: settings().for_deserialize().into_generator(),
            given: settings().for_serialize().into_generator(),
        }
    }

    fn given(&mut self, of: fn(&mut SchemaGenerator) -> schemars::Schema) -> Value {
        let mut value = of(&mut self.given).to_value();
        renamed(&mut value);
        value
    }

    fn all(mut self) -> Map<String, Value> {
        let mut all = self.taken.take_definitions(true);
        for (name, mut shape) in self.given.take_definitions(true) {
            renamed(&mut shape);
            all.insert(format!("{GIVEN}{name}"), shape);
        }
        all
    }
}

fn for_whom(route: &Route) -> String {
    if route.act.is_none() {
        return "For everybody.".into();
    }
    let of = |role: Role| match route.reach(role) {
        Reach::No => None,
        Reach::Own => Some(format!("{} (people in their care)", role.word())),
        Reach::All => Some(role.word().to_string()),
    };
    format!("For: {}.", Role::ALL.into_iter().filter_map(of).collect::<Vec<_>>().join(", "))
}

fn body(shapes: &mut Shapes, content: &Content, taken: bool) -> Value {
    match content {
        Content::Nothing => json!({}),
        Content::Json(of) => {
            let schema = if taken { of(&mut shapes.taken).to_value() } else { shapes.given(*of) };
            json!({ "application/json": { "schema": schema } })
        }
        Content::Bytes(media) => {
            let all = media.iter().map(|m| {
                // What another standard describes is an object here.
                let shape = if m.ends_with("json") {
                    json!({ "type": "object" })
                } else {
                    json!({ "type": "string", "format": "binary", "minLength": 1 })
                };
                ((*m).to_string(), json!({ "schema": shape }))
            });
            Value::Object(all.collect())
        }
    }
}

fn operation(route: &Route, shapes: &mut Shapes) -> Value {
    let mut parameters: Vec<Value> = route
        .parts()
        .into_iter()
        .map(|name| json!({ "name": name, "in": "path", "required": true, "schema": { "type": "string", "format": "uuid" } }))
        .collect();
    for asked in &route.query {
        let schema = (asked.schema)(&mut shapes.taken).to_value();
        parameters.push(json!({
            "name": asked.name, "in": "query", "required": asked.needed, "description": asked.what, "schema": schema
        }));
    }
    let mut responses = Map::new();
    let (status, content) = &route.gives;
    let mut good = json!({ "description": "As asked." });
    if !matches!(content, Content::Nothing) {
        good["content"] = body(shapes, content, false);
    }
    responses.insert(status.to_string(), good);
    let mut problems =
        vec![(400, "Not understood."), (503, "The store is busy; try again."), (507, "The store takes nothing.")];
    if route.act.is_some() {
        problems.extend([(401, "Not logged in."), (403, "Not for this account.")]);
        if !route.query.is_empty() {
            problems.push((422, "It makes no sense."));
        }
    } else {
        problems.extend([(401, "Not let in."), (429, "Too many tries.")]);
    }
    if !route.parts().is_empty() || matches!(route.id, "who-takes" | "search") {
        problems.extend([(404, "There is no such record."), (410, "It was erased.")]);
    }
    if !matches!(route.takes, Content::Nothing) {
        problems.extend([
            (404, "Something it names is not there."),
            (409, "It was changed, is signed, or is taken."),
            (413, "It is too large."),
            (415, "It is of another media type."),
            (422, "It makes no sense, or a finding stands against it."),
            (429, "Too many tries."),
        ]);
    }
    if route.method != crate::route::Method::Get {
        problems.extend([(409, "It was changed, is signed, or is taken."), (422, "It makes no sense.")]);
    }
    let shape = shapes.given(|g| g.subschema_for::<Problem>());
    for (status, what) in problems {
        responses.entry(status.to_string()).or_insert_with(
            || json!({ "description": what, "content": { "application/problem+json": { "schema": shape } } }),
        );
    }
    let mut operation = json!({
        "operationId": route.id,
        "summary": route.what,
        "description": for_whom(route),
        "parameters": parameters,
        "responses": responses,
    });
    if route.act.is_none() {
        operation["security"] = json!([]);
    }
    if !matches!(route.takes, Content::Nothing) {
        operation["requestBody"] = json!({ "required": true, "content": body(shapes, &route.takes, true) });
    }
    operation
}

/// The whole description.
pub fn description(routes: &[Route]) -> Value {
    let mut shapes = Shapes::new();
    let mut paths: Map<String, Value> = Map::new();
    for route in routes {
        let operation = operation(route, &mut shapes);
        let path = paths.entry(route.path.to_string()).or_insert_with(|| json!({}));
        path[route.method.word().to_lowercase()] = operation;
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Fangwright: the clinic's record",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "Records of people, visits, prescriptions and what was handed out. Whatever the safety check could not check, it says. Licensed practice and local law come first.",
            "license": { "name": "Apache-2.0 OR MIT", "identifier": "Apache-2.0 OR MIT" },
        },
        "servers": [{ "url": "/" }],
        "security": [{ "session": [] }],
        "paths": paths,
        "components": {
            "securitySchemes": { "session": { "type": "http", "scheme": "bearer" } },
            "schemas": shapes.all(),
        },
    })
}
