// @ts-check
/** Talking to the server: the token comes in the address's fragment, stays in this tab and travels in a header. */

const KEPT = "boreline-token";

/** @returns {string} The token of this tab, taken out of the address. */
export function takeToken() {
  const given = location.hash.slice(1);
  if (given) {
    sessionStorage.setItem(KEPT, given);
    history.replaceState(null, "", location.pathname);
  }
  return sessionStorage.getItem(KEPT) ?? "";
}

/** A refusal by the server, with its status. */
export class Refused extends Error {
  /** @param {number} status @param {string} text */
  constructor(status, text) {
    super(text);
    this.status = status;
  }
}

export class Api {
  /** @param {string} token @param {number} run */
  constructor(token, run) {
    this.headers = { Authorization: `Bearer ${token}` };
    this.run = run;
  }

  /** @param {string} path @param {Record<string, number>} [query] @returns {Promise<Response>} */
  async get(path, query = {}) {
    const fields = new URLSearchParams({ run: String(this.run) });
    for (const [name, value] of Object.entries(query)) fields.set(name, String(value));
    return this.checked(await fetch(`/api/${path}?${fields}`, { headers: this.headers }));
  }

  /** @param {string} path @param {Record<string, number>} [query] @returns {Promise<any>} */
  async json(path, query) {
    return (await this.get(path, query)).json();
  }

  /** @param {string} path @param {object} body @returns {Promise<any>} */
  async post(path, body) {
    const headers = { ...this.headers, "Content-Type": "application/json" };
    const answer = await fetch(`/api/${path}?run=${this.run}`, { method: "POST", headers, body: JSON.stringify(body) });
    return (await this.checked(answer)).json();
  }

  /** @param {Response} answer @returns {Promise<Response>} */
  async checked(answer) {
    if (answer.ok) return answer;
    let text = `the server answered ${answer.status}`;
    try {
      text = (await answer.json()).error ?? text;
    } catch {
      // an answer without a reason keeps the plain words
    }
    throw new Refused(answer.status, text);
  }
}
