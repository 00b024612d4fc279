// A CDS Hooks client of other people: discovers, has the requests of @medplum/core built from what it discovered, calls.
// Usage: node cds_client.mjs SERVICE FHIR_BASE MODULES HOOK CONTEXT; prints {"request": …, "status": …, "reply": …}.

import { createRequire } from 'node:module';
import { pathToFileURL } from 'node:url';

const [service, fhirBase, modules, hook, context] = process.argv.slice(2);
// The library speaks of this class when it is loaded; Node before 22 has none, and nothing here opens one.
globalThis.WebSocket ??= class extends EventTarget {};
const found = createRequire(`${modules}/`).resolve('@medplum/core');
const { buildCdsRequest } = await import(pathToFileURL(found));

const read = async (address) => {
  const reply = await fetch(address, { headers: { accept: 'application/fhir+json' } });
  if (!reply.ok) throw new Error(`${address}: ${reply.status}`);
  return reply.json();
};
const record = {
  readResource: (type, id) => read(`${fhirBase}/${type}/${id}`),
  search: (type, query) => read(`${fhirBase}/${type}?${query}`),
};

const { services } = await (await fetch(`${service}/cds-services`)).json();
const chosen = services.find((one) => one.hook === hook);
const user = { resourceType: 'Practitioner', id: 'abc' };
const request = await buildCdsRequest(record, user, chosen, JSON.parse(context));
const reply = await fetch(`${service}/cds-services/${chosen.id}`, {
  method: 'POST',
  headers: { 'content-type': 'application/json' },
  body: JSON.stringify(request),
});
console.log(JSON.stringify({ request, status: reply.status, reply: await reply.json() }));
