// @ts-check
// Asks the service: JSON in and out, signing in where a token is wanted, refusals as errors.

/** @typedef {{ok: boolean, status: number, body: any, retryS: number}} Answer */
/**
 * @typedef {object} Asking
 * @property {string} [method]
 * @property {unknown} [body] sent as JSON; a picture as it is
 * @property {boolean} [quiet] whether a missing token is an answer like any other
 */

/** The service said no, in words; status 0 where it did not answer at all. */
export class Refused extends Error {
  /**
   * @param {number} status
   * @param {string} detail
   */
  constructor(status, detail) {
    super(detail);
    this.status = status;
  }
}

/** @type {(why: string) => Promise<boolean>} how a person signs in; a page without a dialog cannot */
let signIn = async () => false;

/** Say how a person signs in, which resolves to whether this browser is signed in now. */
export function signInBy(/** @type {(why: string) => Promise<boolean>} */ dialog) { signIn = dialog; }

/** An id of a command, so that one sent twice is done once. */
export function commandId() {
  // randomUUID exists on secure origins only; a screen on the shop's network may not be one.
  return `screen-${Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => b.toString(16).padStart(2, "0")).join("")}`;
}

/** The words of a problem document, or the bare status. */
export const detailOf = (/** @type {Pick<Answer, "status" | "body">} */ { status, body }) => body.detail ?? `The service answered ${status}.`;

/** What fetch is told of a request. */
function optionsOf(/** @type {Asking} */ { method = "GET", body }) {
  if (body === undefined) return { method };
  if (body instanceof Blob) return { method, headers: { "Content-Type": body.type }, body };
  return { method, headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) };
}

/**
 * Ask once, and once more after signing in.
 * @param {string} path
 * @param {Asking} [asking]
 * @returns {Promise<Answer>} whatever the service says
 * @throws {Refused} with status 0: the service did not answer
 */
export async function exchange(path, asking = {}) {
  const options = optionsOf(asking);
  const once = () => fetch(path, options).catch(() => { throw new Refused(0, "The service did not answer."); });
  let answer = await once();
  if (answer.status === 401 && !asking.quiet && await signIn("This screen needs a token to watch the bays.")) answer = await once();
  const body = answer.status === 204 ? {} : await answer.json().catch(() => ({}));
  return { ok: answer.ok, status: answer.status, body, retryS: Number(answer.headers.get("Retry-After")) || 0 };
}

/**
 * The body of an answer.
 * @param {string} path
 * @param {Asking} [asking]
 * @returns {Promise<any>}
 * @throws {Refused} in the service's own words
 */
export async function read(path, asking = {}) {
  const answer = await exchange(path, asking);
  if (answer.ok) return answer.body;
  throw new Refused(answer.status, detailOf(answer));
}

/**
 * Change something; the same id again changes nothing twice.
 * @param {string} path
 * @param {object} body
 * @param {{method?: string, id?: string}} [more]
 * @returns {Promise<any>}
 * @throws {Refused} in the service's own words
 */
export async function send(path, body, { method = "POST", id = commandId() } = {}) {
  try {
    return await read(path, { method, body: { ...body, id } });
  } catch (error) {
    if (!(error instanceof Refused) || error.status) throw error;
    throw new Refused(0, "The service did not answer; look whether it was written down before you try again.");
  }
}
