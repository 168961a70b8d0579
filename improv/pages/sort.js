"use strict";
// Turns the heads of the tables into buttons that sort; without scripts they stay heads.
for (const table of document.querySelectorAll("table[data-sortable]")) {
  const body = table.tBodies[0];
  const heads = Array.from(table.tHead.rows[0].cells);
  heads.forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent.trim();
    head.dataset.head = button.textContent; // for print: buttons are not repeated on every sheet
    head.textContent = "";
    head.append(button);
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      for (const other of heads) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const key = (row) => row.cells[column].dataset.key;
      const rows = Array.from(body.rows);
      rows.sort((a, b) => {
        const x = key(a), y = key(b);
        if (x === undefined || y === undefined) return (x === undefined) - (y === undefined);
        const order = head.dataset.number === "yes" ? x - y : x.localeCompare(y);
        return down ? -order : order;
      });
      body.append(...rows);
    });
  });
}
