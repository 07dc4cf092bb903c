// The course of each measure over all visits of a patient, and any two of them compared.
export class CourseScreen {
  constructor({ trouble }) { this.trouble = trouble; }
  async show() {}
}
