// What the sheet says, in its reader's language. English is the source text and the key of each
// message; Python hands over what the other languages say.

const ENGLISH = { messages: {}, titles: {}, words: {} };
let reader = { tag: "en", code: "en", ...ENGLISH };

/**
 * The language of this sheet: the session's, if it has one, else the first of the browser's that
 * there is.
 *
 * @param {{session: string, offered: Object<string, object>}} words  for each language its
 *   messages, titles of what is scored, and words of the scales
 */
function readerOf({ session, offered }) {
  const browser = window.navigator.languages ?? [window.navigator.language];
  for (const tag of session ? [session] : browser) {
    const code = String(tag).toLowerCase().split("-")[0];
    if (code === "en" || code in offered) return { tag, code, ...(offered[code] ?? ENGLISH) };
  }
  return { tag: "en", code: "en", ...ENGLISH };
}

/** A message in the reader's language, with values for what stands in braces. */
const _ = (message, values = {}) =>
  (reader.messages[message] ?? message).replace(/\{(\w+)\}/g, (_all, name) => values[name]);

/** A number as a program writes it: at most six digits behind the point. */
const plain = (value) => String(Number(value.toFixed(6)));

/** A number as its reader writes it. */
const shown = (value) =>
  value.toLocaleString(reader.tag, { maximumFractionDigits: 6, useGrouping: false });
