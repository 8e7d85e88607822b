// Requests to the daemon, with the token where one is needed.

import { kept } from "./dom.js";

const TIMEOUT_MS = 8000;

/** The daemon refused, or could not be reached (status 0). */
export class ApiError extends Error {
  constructor(status, message) {
    super(message);
    this.status = status;
  }
}

/** A token in the link is taken over and taken out of the address, so that it is not passed on. */
export function takeToken() {
  const given = new URLSearchParams(location.hash.slice(1)).get("token");
  if (given) {
    kept.set("token", given);
    history.replaceState(null, "", location.pathname);
  }
  return kept.get("token");
}

export const setToken = (token) => kept.set("token", token);
export const token = () => kept.get("token");

function optionsOf(body, signal) {
  const headers = {};
  if (token()) headers.Authorization = `Bearer ${token()}`;
  const options = { headers, cache: "no-store", signal };
  if (body !== undefined) {
    headers["Content-Type"] = "application/json";
    Object.assign(options, { method: "POST", body: JSON.stringify(body) });
  }
  return options;
}

/** What takes its time, until somebody lets go of it; null then. */
export async function ask(path, body, signal) {
  try {
    const response = await fetch(path, optionsOf(body, signal));
    const answer = await response.json();
    if (!response.ok) throw new ApiError(response.status, answer.error ?? `status ${response.status}`);
    return answer;
  } catch (error) {
    if (signal.aborted) return null;
    throw error instanceof ApiError ? error : new ApiError(0, "the daemon does not answer");
  }
}

async function responseOf(path, body) {
  const response = await fetch(path, optionsOf(body)).catch(() => null);
  if (!response) throw new ApiError(0, "the daemon does not answer");
  if (!response.ok) throw new ApiError(response.status, (await response.json()).error);
  return response;
}

/** What is behind a path, as bytes. */
export const blobOf = async (path) => (await responseOf(path)).blob();

/** A file, with the name that the daemon gives it. */
export async function fileOf(path, body) {
  const response = await responseOf(path, body);
  const name = /filename="([^"]+)"/.exec(response.headers.get("Content-Disposition") ?? "")?.[1] ?? "leverarm";
  return { name, blob: await response.blob() };
}

export async function request(path, body, timeoutMs = TIMEOUT_MS) {
  const late = new AbortController();
  // Cleared with the answer: a signal with a time of its own stays until that is over.
  const timer = setTimeout(() => late.abort(), timeoutMs);
  const options = { ...optionsOf(body, late.signal), keepalive: body !== undefined };
  let response;
  let answer;
  try {
    response = await fetch(path, options);
    answer = await response.json();
  } catch {
    throw new ApiError(response?.status ?? 0, "the daemon does not answer");
  } finally {
    clearTimeout(timer);
  }
  if (!response.ok) throw new ApiError(response.status, answer.error ?? `status ${response.status}`);
  return answer;
}
