//! Schemas of the wire types, each once, under `components/schemas`.

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, SchemaGenerator};
use serde_json::{Map, Value, json};

/// Where a document keeps them.
const PLACE: &str = "/components/schemas";

/// Collects schemas while operations are told.
pub(crate) struct Schemas {
    /// Of what is sent to us: what has a default may be missing.
    asked: SchemaGenerator,
    /// Of what we answer.
    answered: SchemaGenerator,
    /// Those that came whole.
    whole: Map<String, Value>,
}

impl Default for Schemas {
    fn default() -> Self {
        let settings = || SchemaSettings::draft2020_12().with(|s| s.definitions_path = PLACE.into());
        Self {
            asked: settings().for_deserialize().into_generator(),
            answered: settings().for_serialize().into_generator(),
            whole: Map::new(),
        }
    }
}

impl Schemas {
    /// A reference to the schema of what is sent to us.
    pub(crate) fn asked<T: JsonSchema>(&mut self) -> Value {
        self.asked.subschema_for::<T>().to_value()
    }

    /// A reference to the schema of what we answer.
    pub(crate) fn answered<T: JsonSchema>(&mut self) -> Value {
        self.answered.subschema_for::<T>().to_value()
    }

    /// The properties of a question after the `?`, each with whether it must be there. A property that may be missing is
    /// simply missing: `null` cannot be written there.
    pub(crate) fn question<T: JsonSchema>() -> Vec<(String, bool, Value)> {
        let settings = SchemaSettings::draft2020_12().for_deserialize().with(|s| s.inline_subschemas = true);
        let mut schema = settings.into_generator().into_root_schema_for::<T>().to_value();
        let required: Vec<Value> = schema["required"].as_array().cloned().unwrap_or_default();
        let properties = schema["properties"].as_object_mut().map(std::mem::take).unwrap_or_default();
        let of = |(name, mut property): (String, Value)| {
            without_null(&mut property);
            let is_required = required.iter().any(|r| *r == name.as_str());
            (name, is_required, property)
        };
        properties.into_iter().map(of).collect()
    }

    /// Takes a whole JSON Schema in, its own definitions beside it, and gives a reference to it.
    pub(crate) fn whole(&mut self, name: &str, mut schema: Value) -> Value {
        if let Some(document) = schema.as_object_mut() {
            document.remove("$schema");
            document.remove("$id");
            if let Some(Value::Object(definitions)) = document.remove("$defs") {
                for (name, mut definition) in definitions {
                    refer_here(&mut definition);
                    self.whole.insert(name, definition);
                }
            }
        }
        refer_here(&mut schema);
        self.whole.insert(name.to_owned(), schema);
        json!({"$ref": format!("#{PLACE}/{name}")})
    }

    /// All schemas by name. Where the two directions differ under one name, the one that asks for less stands.
    pub(crate) fn finish(mut self) -> Map<String, Value> {
        let mut all = self.answered.take_definitions(true);
        all.extend(self.asked.take_definitions(true));
        all.extend(self.whole);
        all
    }
}

/// Turns references into a schema's own definitions into references into the document's.
fn refer_here(schema: &mut Value) {
    match schema {
        Value::Object(object) => {
            if let Some(Value::String(target)) = object.get_mut("$ref")
                && let Some(name) = target.strip_prefix("#/$defs/")
            {
                *target = format!("#{PLACE}/{name}");
            }
            object.values_mut().for_each(refer_here);
        }
        Value::Array(items) => items.iter_mut().for_each(refer_here),
        _ => {}
    }
}

fn without_null(property: &mut Value) {
    if let Some(types) = property["type"].as_array_mut() {
        types.retain(|t| t != "null");
        if let [only] = types.as_slice() {
            property["type"] = only.clone();
        }
    }
    if let Some(any_of) = property.get_mut("anyOf").and_then(Value::as_array_mut) {
        any_of.retain(|of| of["type"] != "null");
    }
    // `property["type"]` above may have made an entry of nothing.
    if let Some(object) = property.as_object_mut() {
        object.retain(|_, value| !value.is_null());
    }
}
