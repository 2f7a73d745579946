"use strict";
(() => {
  const value = (row, column) => row.cells[column].dataset.sort ?? "";
  const compare = (a, b) => (a !== "" && b !== "" && !isNaN(a) && !isNaN(b)) ? a - b : a.localeCompare(b);

  function sort(table, column, heading) {
    const falling = heading.getAttribute("aria-sort") === "ascending";
    for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
    heading.setAttribute("aria-sort", falling ? "descending" : "ascending");
    const rows = [...table.tBodies[0].rows];
    const order = (a, b) => {
      const [left, right] = [value(a, column), value(b, column)];
      if (left === "" || right === "") return (left === "") - (right === "");
      return falling ? compare(right, left) : compare(left, right);
    };
    table.tBodies[0].append(...rows.sort(order));
  }

  function makeSortable(table) {
    [...table.tHead.rows[0].cells].forEach((heading, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...heading.childNodes);
      button.addEventListener("click", () => sort(table, column, heading));
      heading.append(button);
    });
  }

  function makeFilter(box, table) {
    const label = document.createElement("label");
    const input = document.createElement("input");
    label.className = "filter";
    input.type = "search";
    label.append("Show rows with", input);
    box.before(label);
    input.addEventListener("input", () => {
      const wanted = input.value.toLowerCase();
      for (const row of table.tBodies[0].rows) row.hidden = !row.textContent.toLowerCase().includes(wanted);
    });
  }

  for (const box of document.querySelectorAll(".table")) {
    const table = box.querySelector("table:not(.plain)");
    if (!table || table.tBodies[0].rows.length < 2) continue;
    makeSortable(table);
    if (table.tBodies[0].rows.length > 9) makeFilter(box, table);
  }

  const closed = [];
  addEventListener("beforeprint", () => {
    for (const details of document.querySelectorAll("details:not([open])")) {
      closed.push(details);
      details.open = true;
    }
  });
  addEventListener("afterprint", () => { for (const details of closed.splice(0)) details.open = false; });
})();
