// All that needs script: files dropped anywhere, progress, charts after the verdict, news. Without it every form still works.
"use strict";
(() => {
  const status = document.getElementById("status");
  const say = (text) => { status.textContent = text; };

  const form = document.getElementById("drop");
  if (form) {
    const field = form.querySelector("input[type=file]"), bar = form.querySelector("progress");
    form.classList.add("scripted");
    let busy = false;

    const send = (files, button) => {
      if (busy) { say("One moment: the last files are still being read."); return; }
      busy = true;
      const data = new FormData(form, button || null);
      data.delete("logs");
      for (const file of files) data.append("logs", file);
      const ask = new XMLHttpRequest();
      let seen = 0, next = null;
      const read = () => {
        const lines = ask.responseText.slice(seen).split("\n");
        seen = ask.responseText.length - lines.pop().length;
        for (const line of lines) {
          const step = JSON.parse(line);
          if (step.say) say(step.say);
          if (step.go) next = step.go;
        }
      };
      ask.open("POST", form.action);
      ask.setRequestHeader("X-Pit", "lines");
      ask.upload.onprogress = (event) => { if (event.lengthComputable) bar.value = 100 * event.loaded / event.total; };
      ask.upload.onload = () => { bar.removeAttribute("value"); };
      ask.onprogress = () => { if (ask.status === 200) read(); };
      ask.onload = () => {
        if (ask.status === 200) read();
        if (next) { location.assign(next); return; }
        failed(ask.status === 413 ? "Too big to be taken at once. Nothing was kept." : "Nothing was kept. Try again.");
      };
      ask.onerror = () => failed("The pit page's server does not answer. Nothing was kept; start it, and drop the files again.");
      const failed = (text) => { busy = false; bar.hidden = true; say(text); };
      bar.hidden = false; bar.value = 0;
      const names = [...files].slice(0, 4).map((file) => file.name).join(", ");
      say(names ? `Taking ${names} …` : "Reading …");
      ask.send(data);
    };

    form.addEventListener("submit", (event) => {
      if (!field.files.length && !form.querySelector("input[name=waiting]")) {
        event.preventDefault(); say("Choose the files first."); field.focus(); return;
      }
      event.preventDefault();
      send(field.files, event.submitter);
    });
    field.addEventListener("change", () => { if (field.files.length) send(field.files); });
    let depth = 0;
    const isFiles = (event) => event.dataTransfer && [...event.dataTransfer.types].includes("Files");
    addEventListener("dragenter", (event) => { if (isFiles(event)) { depth += 1; document.body.classList.add("over"); } });
    addEventListener("dragleave", (event) => { if (isFiles(event) && --depth <= 0) { depth = 0; document.body.classList.remove("over"); } });
    addEventListener("dragover", (event) => { if (isFiles(event)) event.preventDefault(); });
    addEventListener("drop", (event) => {
      if (!isFiles(event)) return;
      event.preventDefault(); depth = 0; document.body.classList.remove("over");
      if (event.dataTransfer.files.length) send(event.dataTransfer.files);
    });
  }

  // a second tap on a button must not send a form twice
  for (const other of document.querySelectorAll("form:not(#drop)")) {
    other.addEventListener("submit", (event) => {
      if (other.dataset.sent) { event.preventDefault(); return; }
      other.dataset.sent = "1";
      say("One moment …");
    });
  }
  addEventListener("pageshow", () => { for (const other of document.forms) delete other.dataset.sent; });

  const charts = document.querySelector("[data-src]");
  if (charts) {
    fetch(charts.dataset.src, { headers: { "X-Pit": "part" } })
      .then((answer) => { if (!answer.ok) throw new Error(answer.status); return answer.text(); })
      .then((text) => { charts.innerHTML = text; })
      .catch(() => {}); // the link to them stays
  }

  const typed = () => [...document.querySelectorAll("input:not([type=hidden]), textarea")].some(
    (item) => item.type === "radio" ? item.checked !== item.defaultChecked : item.type === "file" ? item.files.length : item.value !== item.defaultValue);
  let count = Number(document.body.dataset.news);
  setInterval(() => {
    if (document.hidden) return;
    fetch("/news").then((answer) => answer.json()).then((news) => {
      if (news.busy && !status.textContent) say(`At work: ${news.busy} …`);
      else if (!news.busy && status.textContent.startsWith("At work")) say("");
      if (news.count === count) return;
      count = news.count;
      if ("follow" in document.body.dataset && !typed()) { location.assign("/"); return; }
      status.textContent = "Something new was kept. ";
      const link = document.createElement("a");
      link.href = "/"; link.textContent = "Show the last pass";
      status.append(link);
    }).catch(() => {});
  }, 2000);
})();
