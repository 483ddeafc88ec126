// A keyboard on the glass, for a screen without keys: one whose page was once opened with ?kiosk=1.
// It shows when a field is touched, types at the cursor as a key would, and goes when a real key is
// pressed.
const asked = new URLSearchParams(location.search).get("kiosk");
if (asked !== null) localStorage.setItem("fairbore.kiosk", asked);

const says = document.getElementById("keyboard-says").dataset, language = document.documentElement.lang.slice(0, 2);
const comma = localStorage.getItem("fairbore.comma"); // as the person set it, else as his language has it
const sign = { 0: ".", 1: "," }[comma] ?? (0.5).toLocaleString(language)[1];
const letters = {
  de: ["qwertzuiopü", "asdfghjklöä", "yxcvbnmß"],
  es: ["qwertyuiop", "asdfghjklñ", "zxcvbnmáéíóúü"],
}[language] ?? ["qwertyuiop", "asdfghjkl", "zxcvbnm"];
// Each row as it is, and with shift. A blank is the space bar.
const pairs = (row) => [...row].map((c) => [c, c === "ß" ? "ẞ" : c.toUpperCase()]);
const rows = [
  [...[...`1234567890-+`].map((c, i) => [c, `!"#$%&/()=_*`[i]]), "delete"],
  ...letters.map(pairs),
  ["shift", [sign, "@"], [sign === "." ? "," : ".", ";"], [":", "'"], [" ", " "], ["/", "?"], ["°", "±"], "done"],
];

const typed = "textarea, input:not([type]), input:is([type=text], [type=search], [type=password], [type=number], [type=tel], [type=email], [type=url])";
let board, shift = false, real = false;

const fieldOf = (e) => e instanceof Element && e.matches(typed) && !e.readOnly && !e.disabled && e;

function draw() {
  for (const b of board.querySelectorAll("[data-key]")) b.textContent = b.dataset[shift ? "shifted" : "key"];
  board.querySelector(".shift").setAttribute("aria-pressed", shift);
}

// The keys that type nothing: what each shows, and does.
const others = {
  shift: ["⇧", () => { shift = !shift; }],
  delete: ["⌫", () => document.execCommand("delete")],
  done: ["✓", () => document.activeElement.blur()],
};

function build() {
  board = Object.assign(document.createElement("div"), { id: "keyboard", popover: "manual", role: "group", ariaLabel: says.name });
  for (const row of rows) {
    const line = document.createElement("div");
    for (const key of row) {
      const b = Object.assign(document.createElement("button"), { type: "button", tabIndex: -1 });
      if (others[key]) Object.assign(b, { textContent: others[key][0], className: key, ariaLabel: says[key] });
      else {
        [b.dataset.key, b.dataset.shifted] = key;
        if (key[0] === " ") Object.assign(b, { className: "space", ariaLabel: says.space });
      }
      b.onclick = () => {
        if (others[key]) others[key][1]();
        else {
          document.execCommand("insertText", false, key[+shift]); // as if typed: it keeps to maxlength, and is heard as input
          shift = false;
        }
        draw();
      };
      line.append(b);
    }
    board.append(line);
  }
  board.addEventListener("mousedown", (e) => e.preventDefault()); // the field keeps the cursor
}

const room = (px) => document.documentElement.style.setProperty("--keyboard", px + "px");

function hide() {
  board?.remove();
  room(0);
}

// show puts the keyboard where it can be touched, in a dialog into that, and the field above it.
function show(field) {
  if (!board) build();
  const into = field.closest("dialog") ?? document.body;
  if (board.parentElement !== into) into.append(board);
  shift = false;
  draw();
  board.showPopover();
  room(board.offsetHeight);
  field.scrollIntoView({ block: "center" });
}

if (localStorage.getItem("fairbore.kiosk") === "1") {
  addEventListener("keydown", (e) => { if (e.isTrusted) { real = true; hide(); } }, true);
  addEventListener("pointerdown", () => { real = false; }, true);
  const look = () => {
    const field = fieldOf(document.activeElement);
    if (field && !real) show(field);
    else hide();
  };
  for (const e of ["focusin", "focusout"]) addEventListener(e, () => setTimeout(look));
  addEventListener("click", (e) => { if (fieldOf(e.target)) look(); });
  addEventListener("close", () => setTimeout(look), true); // a dialog
}
