"use strict";
// Focuses the label field when a hand scanner types, lists chosen files, shows the progress of an
// upload and errors of the connection. All else comes from the server.
(() => {
  const $ = (query) => document.querySelector(query);

  // A hand scanner types: keys pressed outside a field go to the label field.
  document.addEventListener("keydown", (event) => {
    const active = document.activeElement;
    const fields = "input:not([type=radio], [type=checkbox], [type=file]), select, textarea, canvas";
    const idle = !active || !active.matches(fields);
    const letter = event.key.length === 1 && event.key !== " ";
    if (idle && letter && !event.ctrlKey && !event.metaKey && !event.altKey) $("#scan-in").focus();
  });

  const closing = () => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "Close this note";
    button.addEventListener("click", () => $("#note").replaceChildren());
    return button;
  };

  const showTrouble = (what, next) => {
    const box = document.createElement("div");
    box.className = "trouble";
    for (const [tag, text] of [["h2", "Not done"], ["p", what], ["p", next]]) {
      box.appendChild(document.createElement(tag)).textContent = text;
    }
    $("#note").replaceChildren(box, closing());
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
    // A scan dropped beside the field must not open in place of the page.
    for (const kind of ["dragover", "drop"]) {
      window.addEventListener(kind, (event) => event.preventDefault());
    }

    document.querySelectorAll("[data-selects]").forEach((field) => {
      field.addEventListener("input", () => {
        $(`input[name=scale][value="${field.dataset.selects}"]`).checked = true;
      });
    });

    const form = $("#check");
    // Events of the folder list inside the form bubble up to it: they are not the form's own.
    const onForm = (kind, react) => form.addEventListener(kind, (event) => event.target === form && react(event));
    onForm("htmx:confirm", (event) => {
      $("#note").replaceChildren();
      const most = Number(drop.dataset.most);
      const mostBytes = Number(drop.dataset.mostBytes);
      const bytes = [...input.files].reduce((sum, file) => sum + file.size, 0);
      const count = input.files.length + form.querySelectorAll("input[name=pick]:checked").length;
      let problem = "";
      if (!count) problem = "No scan is chosen.";
      else if (count > most) problem = `${count} scans are chosen; at most ${most} are measured together.`;
      else if (bytes > mostBytes) problem = `The scans have ${Math.round(bytes / 1e6)} MB together, over the limit of ${Math.round(mostBytes / 1e6)} MB.`;
      if (problem) {
        event.preventDefault();
        showTrouble(problem, "Nothing was sent. Choose scans, then press Measure again.");
      }
    });
    onForm("htmx:xhr:progress", (event) => {
      const { loaded, total } = event.detail;
      if (total) $("#sending").textContent = loaded < total ? `Sending the scans: ${Math.floor((100 * loaded) / total)} %` : "Scans received, starting …";
    });
    onForm("htmx:afterRequest", () => {
      $("#sending").textContent = "";
    });
  }

  document.addEventListener("htmx:beforeRequest", (event) => {
    if (event.detail.requestConfig.verb === "post") $("#note").replaceChildren();
  });
  document.addEventListener("htmx:afterSwap", (event) => {
    if (event.detail.target.id !== "note") return;
    event.detail.target.append(closing());
    event.detail.target.scrollIntoView({ block: "nearest" });
  });
  // Refusals of the guard are plain text, without a target.
  document.addEventListener("htmx:beforeSwap", (event) => {
    const kind = event.detail.xhr.getResponseHeader("Content-Type") || "";
    if (event.detail.xhr.status >= 400 && kind.startsWith("text/plain")) {
      event.detail.shouldSwap = false;
      showTrouble(event.detail.xhr.responseText, "Earlier records are unaffected.");
    }
  });
  document.addEventListener("htmx:sendError", (event) => {
    if (event.detail.requestConfig.verb === "post") {
      showTrouble("The bench did not answer.", "Nothing was recorded. Check that sieveward bench is running on this computer, then try again.");
    } else {
      stopped();
    }
  });

  // Every page notices a bench that stopped, and goes on with one that was started again.
  const ask = (place) => fetch(place, { cache: "no-store" });
  const stopped = () => {
    const lost = $("#lost");
    if (!lost.hidden) return;
    lost.textContent = "The bench does not answer: it was stopped, or the computer sleeps. What was recorded is safe. Start sieveward bench again, or ask the person who runs it; this page waits for it.";
    lost.hidden = false;
    const look = window.setInterval(async () => {
      const answer = await ask("/alive").catch(() => null);
      if (!answer) return;
      if (answer.ok) {
        window.clearInterval(look);
        await goOn(lost);
      } else {
        lost.textContent = "The bench was started again: open the address that it printed, beside this page. Then this page goes on.";
      }
    }, 2000);
  };
  // The new bench gives its pages a new token; with it this page can still send what was typed.
  const goOn = async (lost) => {
    const answer = await ask(window.location.href).catch(() => null);
    const same = answer && answer.ok && !answer.redirected;
    if (same) {
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      document.body.setAttribute("hx-headers", fresh.body.getAttribute("hx-headers"));
    }
    const again = document.createElement("a");
    again.href = window.location.href;
    again.textContent = "Load this page again";
    lost.replaceChildren(`The bench answers again. ${same ? "What you typed here can be sent. " : ""}`, again);
  };
  window.setInterval(() => ask("/alive").catch(stopped), 5000);

  // Files dropped on a form go to its field.
  document.querySelectorAll("[data-drop]").forEach((form) => {
    const input = document.getElementById(form.dataset.drop);
    form.addEventListener("dragover", (event) => event.preventDefault());
    form.addEventListener("drop", (event) => {
      event.preventDefault();
      if (event.dataTransfer.files.length) input.files = event.dataTransfer.files;
    });
  });

  // A link to a closed part of the page opens it.
  const openTarget = () => {
    const target = window.location.hash && document.getElementById(window.location.hash.slice(1));
    if (target && target.tagName === "DETAILS") target.open = true;
  };
  window.addEventListener("hashchange", openTarget);
  openTarget();
})();
