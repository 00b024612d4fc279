// A client typed by what openapi-typescript makes of our document; it is checked by the compiler, then run.
import type { components, paths } from "./ebbmark.js";

type Titrate = paths["/fhir/$titrate-peep"]["post"];
type Body = Titrate["requestBody"]["content"]["application/fhir+json"];
type Answer = Titrate["responses"][200]["content"]["application/fhir+json"];
type Refusal = Titrate["responses"][400]["content"]["application/fhir+json"];

// The compiler refuses what the document does not have.
// @ts-expect-error a Patient is no body of this operation
const patient: Body = { resourceType: "Patient" };
// @ts-expect-error there is no such operation
type None = paths["/fhir/$titrate"];

async function titrate(base: string, body: Body): Promise<Answer | Refusal> {
  const reply = await fetch(`${base}/fhir/$titrate-peep`, {
    method: "POST",
    headers: { "Content-Type": "application/fhir+json" },
    body: JSON.stringify(body),
  });
  return (await reply.json()) as Answer | Refusal;
}

const [base, text] = process.argv.slice(2);
const answer: components["schemas"]["Bundle"] | components["schemas"]["OperationOutcome"] = await titrate(
  base ?? "",
  JSON.parse(text ?? "{}") as Body,
);
const refusal = await titrate(base ?? "", { resourceType: "Parameters", parameter: [] });
console.log(JSON.stringify([answer.resourceType, refusal.resourceType]));
export {};
