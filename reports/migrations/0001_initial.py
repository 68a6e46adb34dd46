import django.db.models.deletion
import ledger.ids
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    initial = True

    dependencies = [
        ('ledger', '0001_initial'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='DocumentJob',
            fields=[
                ('id', models.UUIDField(default=ledger.ids.uuid7, editable=False, primary_key=True, serialize=False)),
                ('kind', models.CharField(max_length=30)),
                ('subject', models.UUIDField()),
                ('about', models.JSONField(blank=True, default=dict)),
                ('language', models.CharField(default='en', max_length=5)),
                ('page_size', models.CharField(default='a4', max_length=6)),
                ('pdf_variant', models.CharField(default='pdf/a-3u', max_length=10)),
                ('number', models.PositiveBigIntegerField()),
                ('asked_at', models.DateTimeField()),
                ('state', models.CharField(choices=[('queued', 'queued'), ('making', 'being made'), ('done', 'done'), ('failed', 'failed')], default='queued', max_length=6)),
                ('tries', models.PositiveSmallIntegerField(default=0)),
                ('touched_at', models.DateTimeField()),
                ('made_at', models.DateTimeField(blank=True, null=True)),
                ('problem', models.TextField(blank=True)),
                ('size', models.PositiveBigIntegerField(blank=True, null=True)),
                ('digest', models.CharField(blank=True, max_length=64)),
                ('request_digest', models.CharField(blank=True, max_length=64)),
                ('seal_number', models.PositiveBigIntegerField(blank=True, null=True)),
                ('told_first', models.DateField(blank=True, null=True)),
                ('told_last', models.DateField(blank=True, null=True)),
                ('parts_drawn', models.PositiveSmallIntegerField(default=0)),
                ('parts_in_all', models.PositiveSmallIntegerField(default=1)),
                ('asked_by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('establishment', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to='ledger.establishment')),
            ],
            options={
                'ordering': ['-id'],
                'indexes': [models.Index(fields=['establishment', '-id'], name='reports_doc_establi_a1db2e_idx'), models.Index(fields=['state', 'touched_at'], name='reports_doc_state_4d838b_idx'), models.Index(fields=['establishment', 'request_digest'], name='reports_doc_establi_ff0802_idx')],
                'constraints': [models.UniqueConstraint(fields=('establishment', 'number'), name='document_numbers_are_given_once'), models.CheckConstraint(condition=models.Q(('state__in', ['queued', 'making', 'done', 'failed'])), name='document_state_is_known'), models.CheckConstraint(condition=models.Q(('parts_drawn__lte', models.F('parts_in_all'))), name='document_parts_drawn_are_of_all'), models.CheckConstraint(condition=models.Q(models.Q(('told_first__isnull', True), ('told_last__isnull', True)), models.Q(('told_first__isnull', False), ('told_last__gte', models.F('told_first')), ('told_last__isnull', False)), _connector='OR'), name='document_days_end_after_they_begin'), models.CheckConstraint(condition=models.Q(models.Q(('state', 'done'), _negated=True), models.Q(('digest', ''), _negated=True), _connector='OR'), name='document_done_has_a_digest')],
            },
        ),
    ]
