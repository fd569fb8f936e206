// Sends the chosen file as it is, so that it may be larger than a form; without script its lines
// are pasted.
const form = document.getElementById('bring');
const file = document.getElementById('file');
const wrong = document.getElementById('bring-wrong');
if (form && file && wrong) {
  form.querySelector('.only-script').hidden = false;
  form.addEventListener('submit', async (event) => {
    const chosen = file.files[0];
    if (!chosen) return;
    event.preventDefault();
    wrong.hidden = true;
    try {
      const answer = await fetch(`${form.dataset.send}?name=${encodeURIComponent(chosen.name)}`, { method: 'POST', body: chosen, headers: { 'content-type': 'application/octet-stream' } });
      const said = await answer.json();
      if (answer.ok) { location.assign(said.path); return; }
      wrong.textContent = said.detail;
    } catch {
      wrong.textContent = 'The file did not get through. Try again.';
    }
    wrong.hidden = false;
  });
}
