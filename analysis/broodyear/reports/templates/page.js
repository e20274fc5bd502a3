"use strict";
(() => {
  // Thin spaces, a true minus and "<" would spoil the order of numbers.
  const numberIn = (text) => {
    const found = text.replace(/[\u202f\u00a0]/g, "").replace(/\u2212/g, "-").match(/-?\d+(\.\d+)?/);
    return found ? parseFloat(found[0]) : NaN;
  };
  const compare = (a, b, numeric) => {
    if (!numeric) return a.localeCompare(b, "en", { numeric: true });
    const x = numberIn(a), y = numberIn(b);
    if (Number.isNaN(x) || Number.isNaN(y)) return Number.isNaN(x) - Number.isNaN(y);
    return x - y;
  };
  const sortBy = (table, index, header) => {
    const rising = header.getAttribute("aria-sort") !== "ascending";
    const numeric = header.classList.contains("n");
    const body = table.tBodies[0];
    const text = (row) => row.cells[index].textContent;
    const empty = (row) => text(row) === "–";
    const rows = [...body.rows].sort((a, b) => {
      if (empty(a) || empty(b)) return empty(a) - empty(b);
      return (rising ? 1 : -1) * compare(text(a), text(b), numeric);
    });
    for (const other of header.parentNode.cells) other.removeAttribute("aria-sort");
    header.setAttribute("aria-sort", rising ? "ascending" : "descending");
    body.append(...rows);
  };
  const addSorting = (table) => {
    [...table.tHead.rows[0].cells].forEach((header, index) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = header.textContent;
      button.addEventListener("click", () => sortBy(table, index, header));
      header.replaceChildren(button);
    });
  };
  const addSieve = (list, rows, what) => {
    const line = document.createElement("div"), label = document.createElement("label");
    const box = document.createElement("input"), count = document.createElement("span");
    line.className = "sieve";
    box.type = "search";
    box.id = list.id + "-sieve";
    label.htmlFor = box.id;
    label.textContent = "Show " + what + " with";
    count.setAttribute("role", "status");
    const show = () => {
      const wanted = box.value.trim().toLocaleLowerCase();
      let shown = 0;
      for (const row of rows) {
        row.hidden = wanted !== "" && !row.textContent.toLocaleLowerCase().includes(wanted);
        if (!row.hidden) shown += 1;
      }
      count.textContent = shown + " of " + rows.length + " " + what;
    };
    box.addEventListener("input", show);
    line.append(label, box, count);
    const block = list.closest(".table-block");
    if (block) block.prepend(line);
    else list.before(line);
    show();
  };
  const addCopying = (box) => {
    const button = document.createElement("button"), text = box.querySelector("p");
    button.type = "button";
    button.textContent = "Copy the paragraph";
    button.addEventListener("click", () => {
      const range = document.createRange();
      range.selectNodeContents(text);
      getSelection().removeAllRanges();
      getSelection().addRange(range);
      const done = () => { button.textContent = "Copied"; };
      // A page opened from a file may not write the clipboard; the text then stays selected for the reader to copy.
      if (navigator.clipboard) navigator.clipboard.writeText(text.textContent.trim()).then(done, () => {});
      else if (document.execCommand("copy")) done();
    });
    box.append(button);
  };
  for (const box of document.querySelectorAll(".copyable")) addCopying(box);
  for (const list of document.querySelectorAll(".links")) addSieve(list, [...list.children], "sites");
  for (const table of document.querySelectorAll("table[data-sortable]")) {
    addSorting(table);
    addSieve(table, [...table.tBodies[0].rows], "rows");
  }
})();
