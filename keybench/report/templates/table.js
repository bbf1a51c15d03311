// Sorting and filtering of tables with the class "sortable". Without scripts the tables read as they stand.
(function () {
  "use strict";

  function value(row, column) {
    var cell = row.cells[column];
    if (!cell) return "";
    return cell.dataset.v !== undefined ? cell.dataset.v : cell.textContent.trim();
  }

  // Numbers by size, words by the alphabet; what was not measured always comes last.
  function compare(a, b, down) {
    if (a === "" || b === "") return (a === "") - (b === "");
    var x = Number(a), y = Number(b);
    var order = isNaN(x) || isNaN(y) ? a.localeCompare(b) : x - y;
    return down ? -order : order;
  }

  function sort(table, column, down) {
    var body = table.tBodies[0];
    var rows = Array.from(body.rows);
    rows
      .map(function (row, i) { return { row: row, v: value(row, column), i: i }; })
      .sort(function (a, b) { return compare(a.v, b.v, down) || a.i - b.i; })
      .forEach(function (item) { body.appendChild(item.row); });
  }

  function prepareHead(table) {
    var heads = Array.from(table.tHead.rows[table.tHead.rows.length - 1].cells);
    heads.forEach(function (head, column) {
      if (head.hasAttribute("data-fixed")) return;
      var button = document.createElement("button");
      button.type = "button";
      button.className = "sorter";
      while (head.firstChild) button.appendChild(head.firstChild);
      head.appendChild(button);
      button.addEventListener("click", function () {
        // The first press puts the best first: the largest, unless the column says that less is better.
        var first = head.hasAttribute("data-less") || head.dataset.kind === "words" ? "ascending" : "descending";
        var other = first === "ascending" ? "descending" : "ascending";
        var next = head.getAttribute("aria-sort") === first ? other : first;
        heads.forEach(function (h) { h.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", next);
        sort(table, column, next === "descending");
      });
    });
  }

  function prepareFilter(table) {
    var box = document.querySelector('[data-filters="' + table.id + '"]');
    if (!box) return;
    box.hidden = false;
    var input = box.querySelector("input");
    var said = box.querySelector("output");
    input.addEventListener("input", function () {
      var words = input.value.toLowerCase().split(/\s+/).filter(Boolean);
      var shown = 0;
      Array.from(table.tBodies[0].rows).forEach(function (row) {
        var text = row.textContent.toLowerCase();
        var fits = words.every(function (word) { return text.indexOf(word) >= 0; });
        row.hidden = !fits;
        shown += fits ? 1 : 0;
      });
      said.textContent = shown + " of " + table.tBodies[0].rows.length + " rows";
    });
  }

  document.querySelectorAll("table.sortable").forEach(function (table) {
    prepareHead(table);
    prepareFilter(table);
  });
})();
