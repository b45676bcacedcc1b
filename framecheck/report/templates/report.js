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

// On paper nothing can be unfolded.
let unfolded = [];
addEventListener("beforeprint", () => {
  unfolded = [...document.querySelectorAll("details:not([open])")];
  unfolded.forEach((details) => { details.open = true; });
});
addEventListener("afterprint", () => unfolded.forEach((details) => { details.open = false; }));
