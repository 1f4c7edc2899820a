// What goes wrong, as a reader meets it: each state opens a page that refuses something, and says the words that it must
// hold. `people` makes pages: of an administrator, of a technician, of nobody.

// Sends a form as an old browser or another program would: without the browser's own checks, and with any values.
async function send(page, selector, fields, action) {
  await page.evaluate(([of, values, to]) => {
    const form = document.querySelector(of);
    if (to) form.setAttribute("action", to);
    for (const [name, value] of Object.entries(values)) {
      form.querySelectorAll(`[name="${name}"]`).forEach((field) => field.remove());
      const field = document.createElement("input");
      Object.assign(field, { type: "hidden", name, value });
      form.append(field);
    }
  }, [selector, fields, action]);
  await Promise.all([page.waitForEvent("load"), page.evaluate((of) => HTMLFormElement.prototype.submit.call(document.querySelector(of)), selector)]);
}

async function dropIn(page, url, bytes) {
  await page.goto(`${url}/audit`);
  await page.setInputFiles("#export", { name: "audit.zip", mimeType: "application/zip", buffer: bytes });
  await Promise.all([page.waitForEvent("load"), page.click("form[action='/audit/verify'] button")]);
}

// `laptop` is the path of a laptop's page, where there is one; `altered` an export with a byte changed.
export function refusals(url, laptop, altered) {
  const at = (path) => async (page) => { await page.goto(url + path); };
  const form = (path, selector, fields, action) => async (page) => { await page.goto(url + path); await send(page, selector, fields, action); };
  const states = [
    { name: "no-such-page", who: "admin", says: "nothing at", open: at("/no-such-page") },
    { name: "no-such-laptop", who: "admin", says: "no such", open: at("/laptops/none") },
    { name: "no-right", who: "technician", says: "role", open: at("/roles") },
    { name: "session-ended", who: "nobody", says: "token", open: at("/rounds") },
    { name: "sign-in-refused", who: "nobody", says: "unknown, expired or revoked", open: async (page) => {
      await page.goto(`${url}/sign-in`);
      await page.fill("#token", "wg-nobody-has-this");
      await Promise.all([page.waitForEvent("load"), page.press("#token", "Enter")]);
    } },
    { name: "form-without-session", who: "admin", says: "was not taken", open: async (page) => {
      await page.goto(`${url}/rounds`);
      const kept = await page.context().cookies();
      await page.context().clearCookies();
      await send(page, "form[action='/rounds/plan']", {});
      await page.context().addCookies(kept);
    } },
    { name: "plan-refused", who: "admin", says: "0", open: form("/rounds", "form[action='/rounds/plan']", { days: "0" }) },
    { name: "role-refused", who: "admin", says: "role", open: form("/roles", "form[action='/roles']", { role: "king", name: "x" }) },
    { name: "address-not-text", who: "technician", says: "cannot be read as an address", open: at("/laptops/%ff") },
    { name: "question-twice", who: "admin", says: "more than once", open: at("/rounds?site=a&site=b") },
    { name: "no-export", who: "admin", says: "audit.zip", open: (page) => dropIn(page, url, Buffer.from("this is no export")) },
    { name: "damaged-export", who: "admin", says: "audit.zip", open: (page) => dropIn(page, url, altered) },
  ];
  if (laptop) {
    const visit = (name, says, fields, action) => ({ name, who: "admin", says, open: form(laptop, "form[action$='/visits']", fields, action) });
    states.push(
      visit("visit-in-the-future", "in the future", { visited_on: "2999-01-01" }),
      visit("visit-without-a-day", "on which day", { visited_on: "" }),
      visit("visit-unknown-action", "no action of a visit", { action: "polish" }),
      visit("visit-of-no-laptop", "no such laptop", {}, "/laptops/none/visits"),
    );
  }
  return states;
}
