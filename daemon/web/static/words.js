// The texts that scripts say come with the page, in its language.
const texts = JSON.parse(document.getElementById("texts").textContent);
export const language = document.documentElement.lang;

// t is the text of a code with its values. {0} is where the first value stands; {0|one|many} is a
// count in words, # its number.
export const t = (code, ...values) => (texts[code] ?? code).replace(/\{(\d+)(?:\|([^|}]*)\|([^}]*))?\}/g,
  (_, i, one, many) => (many === undefined ? values[i] : (values[i] === 1 ? one : many).replaceAll("#", values[i])));
