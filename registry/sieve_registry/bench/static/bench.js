"use strict";
// What the page does by itself: a scanned label finds its field, files are dropped and counted,
// and what is being sent is told. Everything else is asked of the server.
(() => {
  const $ = (query) => document.querySelector(query);

  // A hand scanner types: where nothing else is being written, its letters belong to the label.
  document.addEventListener("keydown", (event) => {
    const here = document.activeElement;
    const writing = "input:not([type=radio], [type=checkbox], [type=file]), select, canvas";
    const idle = !here || !here.matches(writing);
    const letter = event.key.length === 1 && event.key !== " ";
    if (idle && letter && !event.ctrlKey && !event.metaKey && !event.altKey) $("#scan-in").focus();
  });

  const say = (sentence, next) => {
    const box = document.createElement("div");
    box.className = "trouble";
    for (const [tag, text] of [["h2", "That did not work"], ["p", sentence], ["p", next]]) {
      box.appendChild(document.createElement(tag)).textContent = text;
    }
    $("#note").replaceChildren(box);
    $("#note").scrollIntoView({ block: "nearest" });
  };

  const drop = $("#drop");
  if (drop) {
    const input = $("#scans");
    const list = $("#chosen");
    const show = () => {
      const rows = [...input.files].map((file) => {
        const row = document.createElement("li");
        row.textContent = `${file.name}, ${(file.size / 1e6).toFixed(1)} MB`;
        return row;
      });
      list.replaceChildren(...rows);
    };
    input.addEventListener("change", show);
    for (const kind of ["dragenter", "dragover"]) {
      drop.addEventListener(kind, (event) => {
        event.preventDefault();
        drop.classList.add("over");
      });
    }
    for (const kind of ["dragleave", "drop"]) {
      drop.addEventListener(kind, () => drop.classList.remove("over"));
    }
    drop.addEventListener("drop", (event) => {
      event.preventDefault();
      const all = new DataTransfer();
      for (const file of [...input.files, ...event.dataTransfer.files]) all.items.add(file);
      input.files = all.files;
      show();
    });
    // A scan dropped beside the field must not take the page away.
    for (const kind of ["dragover", "drop"]) {
      window.addEventListener(kind, (event) => event.preventDefault());
    }

    document.querySelectorAll("[data-chooses]").forEach((field) => {
      field.addEventListener("input", () => {
        $(`input[name=scale][value="${field.dataset.chooses}"]`).checked = true;
      });
    });

    const form = $("#check");
    form.addEventListener("htmx:confirm", (event) => {
      $("#note").replaceChildren();
      const most = Number(drop.dataset.most);
      const mostBytes = Number(drop.dataset.mostBytes);
      const bytes = [...input.files].reduce((sum, file) => sum + file.size, 0);
      const count = input.files.length + form.querySelectorAll("input[name=pick]:checked").length;
      let wrong = "";
      if (!count) wrong = "No scan is chosen.";
      else if (count > most) wrong = `${count} scans are more than the ${most} of one check.`;
      else if (bytes > mostBytes) wrong = `The scans have ${Math.round(bytes / 1e6)} MB together, over the limit of ${Math.round(mostBytes / 1e6)} MB.`;
      if (wrong) {
        event.preventDefault();
        say(wrong, "Nothing was sent. Choose other scans, then press Measure again.");
      }
    });
    form.addEventListener("htmx:xhr:progress", (event) => {
      const { loaded, total } = event.detail;
      if (total) $("#sending").textContent = loaded < total ? `Sending the scans: ${Math.floor((100 * loaded) / total)} %` : "The scans are here. One moment …";
    });
    form.addEventListener("htmx:afterRequest", () => {
      $("#sending").textContent = "";
    });
  }

  document.addEventListener("htmx:beforeRequest", (event) => {
    if (event.detail.requestConfig.verb === "post") $("#note").replaceChildren();
  });
  document.addEventListener("htmx:afterSwap", (event) => {
    if (event.detail.target.id === "note") event.detail.target.scrollIntoView({ block: "nearest" });
  });
  // The guard's refusals come without the place they belong to.
  document.addEventListener("htmx:beforeSwap", (event) => {
    const kind = event.detail.xhr.getResponseHeader("Content-Type") || "";
    if (event.detail.xhr.status >= 400 && kind.startsWith("text/plain")) {
      event.detail.shouldSwap = false;
      say(event.detail.xhr.responseText, "What was recorded before is whole.");
    }
  });
  document.addEventListener("htmx:sendError", (event) => {
    if (event.detail.requestConfig.verb === "post") {
      say("The bench did not answer.", "Nothing was recorded. See whether sieveward bench still runs on this computer, then do the same again.");
    }
  });
})();
