// @ts-check
/** Questions to the server that served this page. */

export class Refused extends Error {
  /** @param {number} status @param {string} text @param {string} kind */
  constructor(status, text, kind) {
    super(text);
    this.status = status;
    this.kind = kind;
  }
}

/** @param {Response} answer @returns {Promise<any>} */
async function held(answer) {
  if (answer.ok) return answer.json();
  let text = `the server answered with ${answer.status}`;
  let kind = "";
  try {
    const said = await answer.json();
    text = said.text;
    kind = said.kind;
  } catch {
    if (answer.status === 403) text = "this page is not known to the server any more; open it with the address that mineralize serve printed";
  }
  throw new Refused(answer.status, text, kind);
}

/** @param {string} path @param {RequestInit} [how] @returns {Promise<Response>} */
async function asked(path, how) {
  try {
    return await fetch(path, how);
  } catch {
    throw new Refused(0, "the server does not answer; nothing that was saved is lost: start mineralize serve again and open its address", "");
  }
}

/** @param {string} path @returns {Promise<any>} */
export async function get(path) {
  return held(await asked(path));
}

/** @param {string} path @param {any} [value] @param {string} [method] @returns {Promise<any>} */
export async function send(path, value = {}, method = "POST") {
  return held(await asked(path, { method, headers: { "content-type": "application/json" }, body: method === "DELETE" ? undefined : JSON.stringify(value) }));
}

/** @param {string} path @param {Blob} data @returns {Promise<any>} */
export async function put(path, data) {
  return held(await asked(path, { method: "PUT", body: data }));
}

/** @param {string} path @returns {Promise<ArrayBuffer>} */
export async function bytes(path) {
  const answer = await asked(path);
  if (!answer.ok) throw new Refused(answer.status, "a picture is not there any more; open the case again", "");
  return answer.arrayBuffer();
}
