"use strict";
// Filters the rows of all tables by words, dates and late recording.
(() => {
  const [form, words, from, until, late, shown] = ["filters", "words", "from", "until", "late", "shown"].map((id) => document.getElementById(id));
  const tables = [...document.querySelectorAll("table[data-name]")].map((table) => {
    const names = [...table.tHead.rows[0].cells].map((cell) => cell.textContent);
    return {
      rows: [...table.tBodies[0].rows],
      date: names.indexOf("date"),
      late: names.indexOf("recorded later"),
      note: table.parentNode.previousElementSibling.querySelector(".left"),
    };
  });
  const matches = (row, table, wanted) => {
    const text = row.textContent.toLowerCase();
    const date = table.date < 0 ? "" : row.cells[table.date].textContent;
    return wanted.every((word) => text.includes(word))
      && !(date && from.value && date < from.value)
      && !(date && until.value && date.slice(0, until.value.length) > until.value)
      && !(late.checked && (table.late < 0 || !row.cells[table.late].textContent));
  };
  const filter = () => {
    const wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean);
    let all = 0;
    let count = 0;
    for (const table of tables) {
      for (const row of table.rows) row.hidden = !matches(row, table, wanted);
      const left = table.rows.filter((row) => !row.hidden).length;
      table.note.textContent = left === table.rows.length ? "" : `${left} of them shown. `;
      all += table.rows.length;
      count += left;
    }
    // While a filter is set, sections without a matching row are hidden.
    document.querySelectorAll("section").forEach((section) => {
      section.hidden = count < all && !section.querySelector("tbody tr:not([hidden])");
    });
    shown.textContent = count === all ? `All ${all} rows are shown.` : `${count} of ${all} rows are shown${count ? "." : ": widen the filter."}`;
  };
  form.hidden = false;
  form.addEventListener("input", filter);
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    filter();
  });
  form.addEventListener("reset", () => setTimeout(filter, 0));
  filter();
})();
