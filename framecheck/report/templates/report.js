"use strict";
// The table can be sorted by any column; without this script it stays in order of time.
const table = document.querySelector("table.frames");
const body = table.tBodies[0];
const headings = [...table.tHead.rows[0].cells];

const valueOf = (row, column) => {
  const cell = row.cells[column];
  return cell ? cell.dataset.sort ?? cell.textContent.trim() : "";
};

const compare = (a, b) => {
  if (a === "" || b === "") return (a === "") - (b === "");
  const difference = Number(a) - Number(b);
  return Number.isNaN(difference) ? a.localeCompare(b, undefined, { numeric: true }) : difference;
};

headings.forEach((heading, column) => {
  const button = document.createElement("button");
  button.type = "button";
  button.append(...heading.childNodes);
  heading.append(button);
  button.addEventListener("click", () => {
    const falling = heading.getAttribute("aria-sort") === "ascending";
    headings.forEach((other) => other.removeAttribute("aria-sort"));
    heading.setAttribute("aria-sort", falling ? "descending" : "ascending");
    const rows = [...body.rows].map((row) => [valueOf(row, column), row]);
    // Unknown values stay at the end, whichever way the column runs.
    rows.sort(([a], [b]) => (falling && a !== "" && b !== "" ? -compare(a, b) : compare(a, b)));
    body.append(...rows.map(([, row]) => row));
  });
});

// Charts of one group at a time; without this script those of all groups are shown.
const choosers = [...document.querySelectorAll(".groups")];
const ofGroups = [...document.querySelectorAll("[data-group]")];
const showGroup = (number) => {
  ofGroups.forEach((chart) => { chart.hidden = chart.dataset.group !== number; });
  choosers.forEach((chooser) => { chooser.querySelector(`[value="${number}"]`).checked = true; });
};
choosers.forEach((chooser) => {
  chooser.hidden = false;
  chooser.addEventListener("change", (event) => showGroup(event.target.value));
});
if (choosers.length) showGroup("0");

// On paper nothing can be unfolded, and the pictures of all frames would fill a book.
let unfolded = [];
addEventListener("beforeprint", () => {
  unfolded = [...document.querySelectorAll("details:not([open], .look)")];
  unfolded.forEach((details) => { details.open = true; });
});
addEventListener("afterprint", () => unfolded.forEach((details) => { details.open = false; }));

// A person's own choice of frames: overrides the grade, stays in this browser, and leaves as files.
const rows = [...body.rows];
const choosable = rows.filter((row) => row.dataset.grade !== "");
const memory = table.dataset.memory;
const element = (id) => document.getElementById(id);
const search = element("search");
const doubts = element("doubts");

const remembered = () => {
  try { return JSON.parse(localStorage.getItem(memory)) ?? {}; } catch { return {}; }
};
const known = remembered();
const choices = new Map(choosable.filter((row) => ["keep", "leave out"].includes(known[row.dataset.file]))
  .map((row) => [row.dataset.file, known[row.dataset.file]]));

const remember = () => {
  // A browser may refuse to keep anything for a page on disk; the choices then last as long as the page is open.
  try {
    if (choices.size) localStorage.setItem(memory, JSON.stringify(Object.fromEntries(choices)));
    else localStorage.removeItem(memory);
  } catch { /* nothing to be done */ }
};

const goesIn = (row) => {
  const own = choices.get(row.dataset.file);
  if (own) return own === "keep";
  return row.dataset.grade === "keep" || (row.dataset.grade === "doubtful" && doubts.value === "in");
};

const hours = (seconds) => {
  const minutes = Math.round(seconds / 60);
  return minutes < 60 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
};

const show = () => {
  choosable.forEach((row) => {
    const own = choices.get(row.dataset.file);
    row.classList.toggle("mine", own !== undefined);
    row.querySelectorAll(".own button").forEach((button) => {
      button.setAttribute("aria-pressed", String(button.dataset.choice === own));
    });
  });
  const taken = choosable.filter(goesIn);
  const seconds = taken.reduce((sum, row) => sum + Number(row.dataset.effective), 0);
  const effective = taken.some((row) => row.dataset.effective !== "") ? `, ${hours(seconds)} effective` : "";
  const own = choices.size === 1 ? "1 is your own choice" : `${choices.size} are your own choice`;
  element("chosen").textContent = `${taken.length} of ${choosable.length} frames go into the stack${effective}; ${own}.`;
};

const choose = (row, choice) => {
  const file = row.dataset.file;
  if (!choice || choices.get(file) === choice) choices.delete(file);
  else choices.set(file, choice);
  remember();
  show();
};

choosable.forEach((row) => {
  const line = document.createElement("span");
  line.className = "own";
  for (const choice of ["keep", "leave out"]) {
    const button = document.createElement("button");
    button.type = "button";
    button.tabIndex = -1;
    button.dataset.choice = choice;
    button.textContent = choice;
    button.setAttribute("aria-label", `${choice}: ${row.dataset.file}`);
    button.addEventListener("click", () => choose(row, choice));
    line.append(button);
  }
  row.querySelector(".grade b").after(line);
});

// One row at a time can be reached by Tab, the arrows go on from it; what is in the rows has keys of its own.
rows.forEach((row, index) => { row.tabIndex = index === 0 ? 0 : -1; });
body.querySelectorAll("summary").forEach((summary) => { summary.tabIndex = -1; });
body.addEventListener("focusin", (event) => {
  const row = event.target.closest("tr");
  rows.forEach((other) => { other.tabIndex = other === row ? 0 : -1; });
});
body.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const row = event.target.closest("tr");
  const visible = [...body.rows].filter((one) => one.offsetParent !== null);
  const at = visible.indexOf(row);
  const to = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: visible.length - 1 }[event.key];
  const choice = { k: "keep", l: "leave out", Backspace: "", Delete: "" }[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (event.target !== row && (event.key === "Enter" || event.key === " ")) return;
  const look = event.key.toLowerCase() === "p" && row.querySelector(".look");
  if (to !== undefined) visible[to]?.focus();
  else if (look) look.open = !look.open;
  else if (choice !== undefined && row.dataset.grade !== "") {
    if (choices.get(row.dataset.file) !== choice) choose(row, choice);
  } else return;
  event.preventDefault();
});

search.addEventListener("input", () => {
  const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
  rows.forEach((row) => {
    const text = `${row.cells[0].textContent} ${row.cells[2].textContent}`.toLowerCase();
    row.classList.toggle("unmatched", !words.every((word) => text.includes(word)));
  });
});

const save = (name, kind, text) => {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: kind }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
};
const inOrder = () => [...choosable].sort((a, b) => rows.indexOf(a) - rows.indexOf(b));
// A spreadsheet would run text that begins so as a formula (OWASP, "CSV Injection"); an apostrophe keeps it text.
const harmless = (text) => (/^[=+\-@\t\r\n＝＋－＠]/.test(text) ? `'${text}` : text);
const quoted = (text) => (/[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);

element("save-list").addEventListener("click", () => {
  save("frames-to-stack.txt", "text/plain", inOrder().filter(goesIn).map((row) => `${row.dataset.file}\n`).join(""));
});
element("save-csv").addEventListener("click", () => {
  const lines = inOrder().map((row) => [
    row.dataset.file, row.dataset.grade, choices.get(row.dataset.file) ?? "", goesIn(row) ? "keep" : "leave out",
  ]);
  const text = [["file", "grade", "own_choice", "decision"], ...lines].map((line) => line.map(harmless).map(quoted).join(",")).join("\r\n");
  save("choices.csv", "text/csv", `${text}\r\n`);
});
element("forget").addEventListener("click", () => { choices.clear(); remember(); show(); });
doubts.addEventListener("change", show);
// A list of some of the frames is worse than none.
element("tools").hidden = table.dataset.partial !== undefined;
show();

// Glossary on the spot: the first use of a term in each paragraph of the page opens its meaning.
const meaning = element("meaning");
const entries = [...document.querySelectorAll(".words > div")];
const terms = new Map();
entries.forEach((entry) => {
  const spellings = entry.dataset.spellings ?? entry.querySelector("dfn").textContent.toLowerCase();
  spellings.split("|").filter(Boolean).forEach((spelling) => terms.set(spelling, entry));
});
const pattern = new RegExp(`(?<![\\p{L}-])(${[...terms.keys()].sort((a, b) => b.length - a.length).join("|")})(?![\\p{L}-])`, "iu");

const explain = (entry) => {
  const name = document.createElement("b");
  name.textContent = entry.querySelector("dfn").textContent;
  meaning.replaceChildren(name, entry.querySelector("dd").textContent);
  meaning.showPopover();
};

const mark = (block) => {
  const walker = document.createTreeWalker(block, NodeFilter.SHOW_TEXT, (node) =>
    node.parentElement.closest("svg, button, a, code, kbd, summary, .term") ? NodeFilter.FILTER_REJECT : NodeFilter.FILTER_ACCEPT);
  const seen = new Set();
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const found = pattern.exec(node.data);
    const entry = found && terms.get(found[1].toLowerCase());
    if (!entry || seen.has(entry)) continue;
    seen.add(entry);
    const rest = node.splitText(found.index);
    rest.data = rest.data.slice(found[1].length);
    // A span, for a button cannot be part of a line of text.
    const button = document.createElement("span");
    button.tabIndex = 0;
    button.setAttribute("role", "button");
    button.className = "term";
    button.textContent = found[1];
    button.addEventListener("click", () => explain(entry));
    button.addEventListener("keydown", (event) => {
      if (event.key !== "Enter" && event.key !== " ") return;
      event.preventDefault();
      explain(entry);
    });
    rest.before(button);
    walker.currentNode = button.lastChild;
  }
};
if (meaning.showPopover) {
  document.querySelectorAll("#night figcaption, #field figcaption, .evidence td:first-child, #mount dt, #mount figcaption, #mount th, #mount dd, #mount > p, #field dt, #field dd, #field h3, .hours li, .answers dd")
    .forEach(mark);
}
