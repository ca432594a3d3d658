// Asking the service for JSON, and for a token where it wants one.

import { signedFetch } from "./signin.js";

export async function read(path) {
  const answer = await signedFetch(path);
  const body = await answer.json();
  if (!answer.ok) throw new Error(body.detail ?? String(answer.status));
  return body;
}
