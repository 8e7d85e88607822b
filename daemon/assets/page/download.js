// Files from the daemon, kept where the browser keeps downloads.

import { fileOf } from "./api.js";

/** Asks for a file and hands it to the browser; `said` tells how that goes. */
export async function download(button, path, body, said) {
  button.disabled = true;
  said("Being made\u2026", false);
  try {
    const { name, blob } = await fileOf(path, body);
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    document.body.append(link);
    link.click();
    link.remove();
    // The browser has begun to read it by then.
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    said(`Saved: ${name}`, false);
  } catch (error) {
    said(`Not made: ${error.message}`, true);
  } finally {
    button.disabled = false;
  }
}
