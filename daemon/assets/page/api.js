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

export async function request(path, body, timeoutMs = TIMEOUT_MS) {
  const headers = {};
  if (token()) headers.Authorization = `Bearer ${token()}`;
  const options = { headers, cache: "no-store", signal: AbortSignal.timeout(timeoutMs) };
  if (body !== undefined) {
    headers["Content-Type"] = "application/json";
    Object.assign(options, { method: "POST", body: JSON.stringify(body), keepalive: true });
  }
  let response;
  let answer;
  try {
    response = await fetch(path, options);
    answer = await response.json();
  } catch (error) {
    throw new ApiError(response?.status ?? 0, "the daemon does not answer");
  }
  if (!response.ok) throw new ApiError(response.status, answer.error ?? `status ${response.status}`);
  return answer;
}
