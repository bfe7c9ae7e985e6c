// Scoring by keys alone: what is typed on a question, and which question comes after it.

/**
 * Takes the signs of a number typed on a scale.
 *
 * One key is enough where no longer number begins with it; else the number goes on until it is
 * complete or confirmed.
 */
function typist(scale) {
  const texts = scale.options.map(plain);
  let typed = "";
  return {
    forget: () => (typed = ""),
    /** What a sign makes of it: `{value, isComplete}`, or what was typed if that is no score. */
    take(sign) {
      const next = typed + (sign === "," ? "." : sign);
      const fits = texts.filter((text) => text.startsWith(next));
      if (!fits.length) return { value: null, isOff: true, text: next };
      typed = next;
      const isScore = fits.includes(next);
      const isComplete = isScore && fits.length === 1;
      if (isComplete) typed = "";
      return { value: isScore ? Number(next) : null, isOff: false, isComplete, text: next };
    },
  };
}

const isTyped = (node) =>
  node instanceof HTMLTextAreaElement ||
  (node instanceof HTMLInputElement && !["radio", "checkbox"].includes(node.type));

/** Which key does what, folded; the page shows it where there is room and a keyboard is likely. */
function keysFold(isSet, hasNumbers) {
  const lines = [
    isSet
      ? [_("1, 2, 3 …"), _("mark the first, second, third cup")]
      : [_("1 to 9, 0"), _("give that score and go on; where a scale has longer numbers, type the number (7.5), then Enter")],
    isSet ? null : [_("1 to 9, 0"), _("on words to check: check or uncheck the word with that number")],
    [_("Enter"), isSet ? _("go on to the next set") : _("go on to the next question, after the last one to the next cup")],
    [_("Backspace"), _("take it back")],
    [_("← →"), hasNumbers ? _("on a scale: the score beside it; elsewhere: the cup before or after") : _("the set before or after")],
    [_("Page up, Page down"), isSet ? _("the set before or after") : _("the cup before or after")],
    isSet ? null : [_("Esc"), _("leave the note")],
  ];
  return make(
    "details",
    { class: "lk-keys" },
    make("summary", {}, _("Keys")),
    make("dl", {}, ...lines.filter(Boolean).flatMap(([key, what]) => [
      make("dt", {}, key), make("dd", {}, what)])),
  );
}
