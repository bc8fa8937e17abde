host "larch" {}
values {
  a = "half of " + survey.memory # want "these two cannot be computed with each other\nOne is the text \"half of \", the other the number 4063232000.\njoin texts"
}
