// What the server is asked. Errors come as its one line.

import { WORDS } from "./words.js";

const W = WORDS.api;
export const terms = {};

export async function begin() {
  Object.assign(terms, await (await fetch("/api/session")).json());
}

async function asked(path, options = {}, again = true) {
  const changes = options.method && options.method !== "GET";
  const headers = { ...options.headers, ...(changes ? { "X-Dieroute-Key": terms.key } : {}) };
  let answer;
  try {
    answer = await fetch(path, { ...options, headers });
  } catch {
    throw new Error(W.down);
  }
  if (answer.status === 403 && answer.headers.has("x-dieroute-stale") && again) {
    await begin(); // the server was started anew
    return asked(path, options, false);
  }
  if (!answer.ok) {
    const error = new Error((await answer.text()).trim().replace(/^dieroute: /, "") || answer.statusText);
    error.meanwhile = Number(answer.headers.get("x-dieroute-meanwhile")); // the revision that someone else made
    throw error;
  }
  return answer;
}

export const get = async path => (await asked(path)).json();
export const post = async (path, content) => (await asked(path, {
  method: "POST", body: JSON.stringify(content ?? {}), headers: { "Content-Type": "application/json" },
})).json();
export const act = (path, method = "POST", content) => asked(path, content === undefined ? { method }
  : { method, body: JSON.stringify(content), headers: { "Content-Type": "application/json" } });

export const handIn = (file, common = {}) => upload("/api/jobs", file, common);
export const handInDrawing = (file, job, from) => upload(`/api/jobs/${job}/drawings`, file, { from });
export const handInTable = async file => (await asked("/api/taken", { method: "POST", body: file, headers: { "Content-Type": "text/csv" } })).json();
export async function handInBlank(file, job, number) {
  const taken = await upload(`/api/jobs/${job}/blanks`, file);
  await asked(`/api/jobs/${job}/${number}/blanks/${taken.file}`, { method: "POST" }); // says at once what is wrong with it
  return taken;
}

async function upload(path, file, more = {}) {
  if (file.size > terms.limit_bytes) {
    throw new Error(W.large(file.name, terms.limit_bytes / 1e6));
  }
  const query = new URLSearchParams({ name: file.name, ...more });
  const options = { method: "POST", body: file, headers: { "Content-Type": "application/octet-stream" } };
  return (await asked(`${path}?${query}`, options)).json();
}

// One stream for the whole page; it comes back by itself when the server does.
export function listen(told, state) {
  const stream = new EventSource("/api/events");
  let lost = false;
  stream.onmessage = event => told(JSON.parse(event.data));
  stream.onopen = async () => {
    if (lost) await begin();
    lost = false;
    state(true);
  };
  stream.onerror = () => { lost = true; state(false); };
}
