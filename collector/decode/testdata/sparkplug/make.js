// Encodes the payloads of inputs.json with the npm package sparkplug-payload,
// which shares nothing with this repository, and writes vectors.json. Run by
// regenerate.sh.
"use strict";
const fs = require("fs");
const zlib = require("zlib");
const Long = require("long");
const codec = require("sparkplug-payload").get("spBv1.0");

// A number beyond 2^53 is written {"long": "..."} in inputs.json, bytes
// {"bytes": "hex"}.
function values(x) {
  if (Array.isArray(x)) return x.map(values);
  if (x === null || typeof x !== "object") return x;
  if (typeof x.long === "string") return Long.fromString(x.long, true);
  if (typeof x.bytes === "string") return Buffer.from(x.bytes, "hex");
  return Object.fromEntries(Object.entries(x).map(([k, v]) => [k, values(v)]));
}

const out = JSON.parse(fs.readFileSync("inputs.json", "utf8")).map((v) => {
  let bytes = codec.encodePayload(values(v.payload));
  if (v.packed) {
    const body = v.packed === "GZIP" ? zlib.gzipSync(bytes) : zlib.deflateSync(bytes);
    const algorithm = { name: "algorithm", type: "String", value: v.packed };
    bytes = codec.encodePayload({ uuid: "SPBV1.0_COMPRESSED", body, metrics: [algorithm] });
  }
  const hex = Buffer.from(bytes).toString("hex");
  return { name: v.name, source: v.source, topic: v.topic, payload: v.payload, items: v.items, hex };
});
fs.writeFileSync("vectors.json", "[\n" + out.map((v) => JSON.stringify(v)).join(",\n") + "\n]\n");
